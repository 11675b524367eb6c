"""A person who has a keyboard and nothing else: every step is a key, and what it goes to is found by Tab."""

from typing import Any

from playwright.sync_api import expect

from tests.browser.seat import Seat

FURTHEST = 250  # no page has more stops than this
HERE = "(wanted) => document.activeElement?.matches(wanted) ?? false"
SAYS = "(words) => (document.activeElement?.textContent ?? '').replace(/\\s+/g, ' ').includes(words)"
KIND = "document.activeElement.type"
RADIO = "document.activeElement.value + (document.activeElement.checked ? ' checked' : '')"


class KeySeat(Seat):
    def reach(self, selector: str, words: str = "") -> None:
        """Tab until the focus is on it; it must come within one round of the page."""
        for _ in range(FURTHEST):
            if self.page.evaluate(HERE, selector) and (not words or self.page.evaluate(SAYS, words)):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab never came to {selector} {words} on {self.page.url}")

    def fill_one(self, name: str, value: Any) -> None:
        self.put(f"[name='{name}']", value)

    def put(self, field: str, value: Any) -> None:
        self.reach(field)
        kind, keys = self.page.evaluate(KIND), self.page.keyboard
        if kind == "radio":
            self.choose(str(value))
        elif kind == "checkbox":
            self.reach(field if isinstance(value, bool) else f"{field}[value='{value}']")
            keys.press("Space")
        elif kind.startswith("select"):
            text = self.page.evaluate(
                "value => [...document.activeElement.options].find(one => one.value === value).text", str(value)
            )
            keys.type(text)
            expect(self.page.locator(":focus")).to_have_value(str(value))
        else:
            keys.press("Control+a")
            keys.type(str(value))

    def choose(self, value: str) -> None:
        """Arrows go through a group of radio buttons; Space takes the one that Tab came to."""
        for _ in range(FURTHEST):
            if self.page.evaluate(RADIO).split()[0] == value:
                self.page.keyboard.press("Space")
                return
            self.page.keyboard.press("ArrowDown")
        raise AssertionError(f"no arrow came to {value} on {self.page.url}")

    def press(self, words: str) -> None:
        self.reach("button", words)
        self.page.keyboard.press("Enter")

    def follow(self, words: str) -> None:
        self.reach("a[href]", words)
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")

    def open(self, words: str) -> None:
        """Unfold what a summary says."""
        self.reach("summary", words)
        self.page.keyboard.press("Enter")

    def send(self) -> None:
        self.reach("main form.form button:not([type=button])")
        self.page.keyboard.press("Enter")
