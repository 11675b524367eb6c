"""One person at one device: signs in, fills forms by their labels, presses buttons by their words."""

import re
from pathlib import Path
from typing import Any

from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from accounts.practice import PRACTICE_PASSWORD

#: A machine that does other work too takes its time; what never comes is told just as well.
PATIENCE_MS = 30_000
expect.set_options(timeout=PATIENCE_MS)


class Seat:
    def __init__(self, page: Page, site: str) -> None:
        self.page = page
        self.site = site
        self.said: list[str] = []
        page.on("console", lambda message: self.said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.said.append(str(error)))

    def sign_in(self, email: str) -> None:
        self.page.goto(self.site + reverse("accounts:sign_in"))
        self.fill(email=email, password=PRACTICE_PASSWORD)
        self.press("Sign in")
        self.page.wait_for_url(re.compile(r"^(?!.*sign-in)"))

    def goto(self, name: str, *args: Any, query: str = "") -> int:
        """Open a page by its name; its status."""
        return self.goto_path(reverse(name, args=args) + query)

    def goto_path(self, path: str) -> int:
        answer = self.page.goto(self.site + path)
        assert answer is not None
        return answer.status

    def fill(self, **values: Any) -> None:
        """Fields by their names in the form, as a person would use them: typed, chosen or ticked."""
        for name, value in values.items():
            self.fill_one(name.replace("__", "-"), value)

    def fill_one(self, name: str, value: Any) -> None:
        field = self.page.locator(f"main [name='{name}']:not([type=hidden])")
        kind = field.first.evaluate("one => one.type")
        if kind == "radio":
            self.page.locator(f"main [name='{name}'][value='{value}']").check()
        elif kind == "checkbox" and isinstance(value, bool):
            field.set_checked(value)
        elif kind == "checkbox":
            self.page.locator(f"main [name='{name}'][value='{value}']").check()
        elif kind.startswith("select"):
            field.select_option(str(value))
        else:
            field.fill(str(value))

    def press(self, words: str) -> None:
        self.page.locator("main").get_by_role("button", name=words).first.click()

    def rest(self) -> None:
        """Leave the page, so that it asks for nothing while somebody else works."""
        self.page.wait_for_load_state("networkidle")
        self.page.goto("about:blank")

    def send(self) -> None:
        """The first button of the page's form."""
        self.page.locator("main form.form button:not([type=button])").first.click()

    def follow(self, words: str) -> None:
        self.page.locator("main").get_by_role("link", name=words).first.click()

    @property
    def main(self) -> Locator:
        return self.page.locator("main")

    def sees(self, *words: str) -> None:
        """The page shows these words, wherever on it."""
        for one in words:
            expect(self.page.locator("body")).to_contain_text(one)
        self.is_there()

    def sees_heading(self, words: str) -> None:
        expect(self.page.locator("h1")).to_contain_text(words)
        self.is_there()

    def is_there(self) -> None:
        """Whole, its scripts run: words are seen before, but nobody goes on so quickly."""
        self.page.wait_for_load_state("domcontentloaded")

    def picture(self, path: str | Path) -> None:
        self.page.screenshot(path=str(path), full_page=True)
