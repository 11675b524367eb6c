"""A member's phone at the hives: a device as at the bench, small, on the member's own pages."""

from typing import Any

from playwright.sync_api import Locator, expect

from accounts.models import Person
from scheduling.models import HiveEntry, Reminder
from tests.browser.tablet import Tablet
from tests.factories import NOW, ReminderFactory
from tests.processes import wait_until
from tests.scheduling.world import World

COPIES = """async () => {
  const found = [];
  for (const name of (await caches.keys()).filter((each) => each.startsWith("pages-"))) {
    const kept = await (await caches.open(name)).keys();
    found.push(...kept.map((request) => `${name} ${new URL(request.url).pathname}`));
  }
  return found.sort();
}"""


DRAFTS = """async () => {
  const db = await new Promise((resolve, reject) => {
    const request = indexedDB.open("broodtide-bench");
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const range = IDBKeyRange.bound("draft:", "draft;");
  const all = await new Promise((resolve) => {
    const request = db.transaction("meta").objectStore("meta").getAll(range);
    request.onsuccess = () => resolve(request.result);
  });
  db.close();
  return all.filter(Boolean);
}"""


class Phone(Tablet):
    size = (390, 844)

    def go(self, path: str) -> None:
        self.page.goto(self.relay.url + path)
        self.page.wait_for_selector("html[data-keeper-ready]", state="attached")

    def see_once(self, *paths: str) -> None:
        """The one visit with a network after which none is needed."""
        for path in paths:
            self.go(path)
            self.page.wait_for_selector("html[data-page-kept]", state="attached")

    def sign_in_if_asked(self, path: str, person: Person) -> None:
        """A browser writes its cookies down now and then: after a crash one may have to sign in again, and where
        answers are lost on the way the page may only ask for that the next time it is opened."""
        self.page.goto(self.relay.url + path)
        while "sign-in" in self.page.url:
            self.sign_in(person)
            self.page.goto(self.relay.url + path)
        self.page.wait_for_selector("html[data-keeper-ready]", state="attached")

    def row(self, text: str) -> Locator:
        return self.page.locator("main [data-row]").filter(has_text=text).first

    def says(self, words: str) -> None:
        expect(self.page.locator("#sent")).to_contain_text(words, use_inner_text=False)

    def copies(self) -> list[str]:
        return list(self.page.evaluate(COPIES))

    def drafts(self) -> list[dict[str, Any]]:
        return list(self.page.evaluate(DRAFTS))

    def waits(self, number: int) -> None:
        wait_until(lambda: sum(entry["waiting"] for entry in self.stored()) == number, seconds=60)

    def has_sent(self, number: int) -> None:
        """So many entries are confirmed, and none waits."""
        wait_until(lambda: [entry["waiting"] for entry in self.stored()] == [0] * number, seconds=60)
        self.sees_sent()


def reminder_of(world: World, title: str) -> Reminder:
    reminder: Reminder = ReminderFactory(member=world.member, kind="health_ends", title=title, due_at=NOW)
    return reminder


def assert_log_has(stored: list[dict[str, Any]]) -> None:
    """Each entry is in the log as it was kept, once, and nothing else is."""
    rows = {str(entry.pk): entry for entry in HiveEntry.objects.all()}
    assert set(rows) == {entry["id"] for entry in stored}
    for entry in stored:
        row = rows[entry["id"]]
        assert (row.kind, row.facts, row.number) == (entry["kind"], entry["facts"], entry["number"])
