"""A tablet at the bench: Chromium with a profile of its own that outlives a crash, behind a cable that can be cut."""

import contextlib
import os
import re
import signal
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Page, Playwright, expect

from accounts.models import Person
from scheduling.models import BenchEntry, BenchSession
from scheduling.planning.bench_log import reduce_log
from scheduling.queries.bench_log import bench_state, entries_taken
from tests.browser.relay import Relay
from tests.browser.seat import PATIENCE_MS
from tests.factories import PASSWORD
from tests.processes import wait_until

READY = "html[data-bench-ready]"
STORED = """async () => {
  const db = await new Promise((resolve, reject) => {
    const request = indexedDB.open("broodtide-bench");
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const all = await new Promise((resolve) => {
    const request = db.transaction("entries").objectStore("entries").getAll();
    request.onsuccess = () => resolve(request.result);
  });
  db.close();
  return all;
}"""


class Tablet:
    size = (1180, 820)

    def __init__(self, playwright: Playwright, relay: Relay, profile: Path) -> None:
        self.playwright = playwright
        self.relay = relay
        self.profile = profile
        self.said: list[str] = []
        self.context: BrowserContext | None = None
        self.switch_on()

    def switch_on(self) -> None:
        self.context = self.playwright.chromium.launch_persistent_context(
            str(self.profile),
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu"],
            viewport={"width": self.size[0], "height": self.size[1]},
        )
        self.context.set_default_timeout(PATIENCE_MS)
        self.page: Page = self.context.pages[0]
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    def pids(self) -> list[int]:
        """The processes of this browser alone, by the profile on their command line."""
        found = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):
                    if str(self.profile) in (entry / "cmdline").read_bytes().decode(errors="replace"):
                        found.append(int(entry.name))
        return found

    def crash(self) -> None:
        """The battery is out: every process of the browser ends at once."""
        for pid in self.pids():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not self.pids(), seconds=60)  # one that still writes would hold its files
        assert self.context is not None
        with contextlib.suppress(Exception):  # it is gone already
            self.context.close()
        for name in ("SingletonLock", "SingletonCookie", "SingletonSocket"):
            (self.profile / name).unlink(missing_ok=True)

    def off(self) -> None:
        assert self.context is not None
        self.context.close()

    def sign_in(self, person: Person) -> None:
        self.page.goto(f"{self.relay.url}/sign-in/")
        self.page.fill("main [name=email]", person.email)
        self.page.fill("main [name=password]", PASSWORD)
        self.page.locator("main form button").first.click()
        self.page.wait_for_url(lambda url: "sign-in" not in url)

    def open(self, session: int) -> None:
        self.page.goto(f"{self.relay.url}/bench/{session}/")
        self.page.wait_for_selector(READY, state="attached")

    def open_after_crash(self, session: int, person: Person) -> None:
        """A browser writes its cookies down now and then: who was signed in a moment ago may have to do it again."""
        self.page.goto(f"{self.relay.url}/bench/{session}/")
        while "sign-in" in self.page.url:
            self.sign_in(person)
            self.page.goto(f"{self.relay.url}/bench/{session}/")
        self.page.wait_for_selector(READY, state="attached")

    def visit_once(self, session: int) -> None:
        """The one visit with a network after which none is needed."""
        self.open(session)
        self.page.wait_for_selector("html[data-page-kept]", state="attached")

    def press(self, key: str, times: int = 1) -> None:
        for _ in range(times):
            self.page.keyboard.press(key)

    def sees_sent(self) -> None:
        """Everything is with the server. On a busy machine that takes long, but never without getting on."""
        sent = self.page.locator("#sent")
        while sent.get_attribute("data-status") != "sent":
            expect(sent).to_have_attribute("data-unsent", re.compile(r"^\d+$"), timeout=60_000)
            unsent = sent.get_attribute("data-unsent")
            further = self.page.locator(f"#sent[data-status=sent], #sent:not([data-unsent='{unsent}'])")
            expect(further).to_be_attached(timeout=60_000)
        expect(sent).to_have_attribute("data-unsent", "0")

    def stored(self) -> list[dict[str, Any]]:
        return list(self.page.evaluate(STORED))

    def open_lot(self, tip: str) -> None:
        self.page.locator("[data-part=open-lot]").evaluate("one => { one.open = true }")
        self.page.fill("form[data-kind=lot_open] [name=tip]", tip)
        self.page.locator("form[data-kind=lot_open] button").click()
        expect(self.page.locator("[data-part=lot-label]").first).not_to_have_text("")

    def read(self, volume: str) -> None:
        self.page.locator("h1").click()
        self.press("KeyL")
        field = self.page.locator("form[data-kind=reading] [name=volume]")
        expect(field).to_be_focused()
        field.fill(volume)
        field.press("Enter")

    def tap_away(self, codes: list[str]) -> None:
        """Many keys at once, faster than anybody's foot; does not wait for any of them."""
        self.page.evaluate(
            """codes => { for (const code of codes)
              document.body.dispatchEvent(new KeyboardEvent("keydown", {code, bubbles: true, cancelable: true})) }""",
            codes,
        )

    def figure(self, name: str) -> int:
        return int(self.page.locator(f"[data-part={name}]").first.text_content() or 0)

    def send_now(self) -> None:
        self.page.evaluate("dispatchEvent(new Event('online'))")


def assert_server_has(session: BenchSession, stored: list[dict[str, Any]]) -> None:
    """Each entry is in the log as it was kept, the log in order, and the tables are what the log says."""
    rows = {str(entry.pk): entry for entry in BenchEntry.objects.filter(session=session)}
    for entry in stored:
        row = rows[entry["id"]]
        assert (row.kind, row.facts, row.number) == (entry["kind"], entry["facts"], entry["number"])
    numbers = sorted(row.number or 0 for row in rows.values())
    assert numbers == list(range(1, len(rows) + 1))
    session.refresh_from_db()
    initial = bench_state(session)
    initial["lots"], initial["tip"] = {}, {"name": "", "source": None, "lot": None}
    for queen in initial["queens"].values():
        queen["state"], queen["reason"], queen["doses"], queen["co2_ended"] = "waiting", "", 0, []
        queen["gas_since"], queen["gas_with_dose"] = None, False
    for place in initial["places"].values():
        place["state"], place["doses"] = "held", 0
    assert reduce_log(initial, entries_taken(session)) == bench_state(session)
