"""A tablet with its own troubles: its clock, its room, an update of the app, somebody who signs out."""

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from config import worker
from scheduling.models import BenchEntry, DroneTally
from tests.browser.conftest import Switch
from tests.browser.relay import Relay
from tests.browser.tablet import assert_server_has
from tests.processes import wait_until
from tests.scheduling.test_bench import Bench

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WRONG_CLOCK = """
  window.wrongBy = 3600000;
  const trueNow = Date.now.bind(Date);
  Date.now = () => trueNow() + window.wrongBy;
  const toISO = Date.prototype.toISOString;
  Date.prototype.toISOString = function () { return toISO.call(new Date(this.getTime() + this.shift)) };
  const isNow = (date) => Math.abs(date.getTime() - trueNow()) < 5000;
  Object.defineProperty(Date.prototype, "shift", { get() { return isNow(this) ? window.wrongBy : 0 } });
"""
FULL = """times => {
  const add = IDBObjectStore.prototype.add;
  let left = times;
  IDBObjectStore.prototype.add = function (...args) {
    if (left-- > 0) throw new DOMException("full", "QuotaExceededError");
    IDBObjectStore.prototype.add = add;
    return add.apply(this, args);
  };
}"""
NEARLY_FULL = "navigator.storage.estimate = async () => ({ usage: 95, quota: 100 })"
EMPTIED = """() => new Promise((resolve, reject) => {
  const removed = indexedDB.deleteDatabase("broodtide-bench");
  removed.onerror = () => reject(removed.error);
  removed.onsuccess = () => {
    const request = indexedDB.open("broodtide-bench", 1);
    request.onsuccess = () => { request.result.close(); resolve() };
  };
})"""
UPDATE = """async () => {
  const registration = await navigator.serviceWorker.ready;
  const changed = new Promise((resolve) => navigator.serviceWorker.addEventListener("controllerchange", resolve));
  await registration.update();
  await changed;
}"""


def test_a_clock_an_hour_wrong_and_set_while_the_page_stands_gives_true_times(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    assert one.context is not None
    one.context.add_init_script(WRONG_CLOCK)
    one.open(bench.session.pk)
    one.sees_sent()
    expect(one.page.locator("[data-part=stands]")).to_contain_text("clock")
    relay.cut()
    one.press("KeyC")
    expect(one.page.locator("[data-part=gas-clock]")).to_be_visible()
    one.page.evaluate("window.wrongBy = -1800000")
    one.press("KeyC")
    expect(one.page.locator("[data-part=gas-off]")).to_be_visible()
    relay.mend()
    one.send_now()
    one.sees_sent()
    on, off = BenchEntry.objects.order_by("number")
    now = timezone.now()
    assert abs((on.at - on.device_at).total_seconds() - (off.at - off.device_at).total_seconds()) > 5000
    assert 0 <= (off.at - on.at).total_seconds() < 60
    assert 0 <= (now - off.at).total_seconds() < 60


def test_a_full_tablet_makes_room_and_else_says_so(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    one.open_lot("T1")
    one.press("Space")
    expect(one.page.locator("[data-part=usable]")).to_have_text("1")
    one.page.evaluate(FULL, 1)
    one.press("Space")
    expect(one.page.locator("[data-part=usable]")).to_have_text("2")
    one.page.evaluate(FULL, 2)
    one.press("Space")
    expect(one.page.locator("[data-part=say]")).to_contain_text("not kept")
    assert one.figure("usable") == 2
    one.press("Space")
    expect(one.page.locator("[data-part=usable]")).to_have_text("3")
    one.sees_sent()
    assert_server_has(bench.session, one.stored())


def test_an_update_of_the_app_loses_no_entry_and_no_page(
    bench: Bench, relay: Relay, tablet: Switch, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = tablet()
    one.open_lot("T1")
    one.sees_sent()
    monkeypatch.setattr(worker, "SHELL", worker.SHELL[:-1])
    one.page.route("**/entries/", lambda route: route.abort())
    one.press("Space", 3)
    one.page.evaluate(UPDATE)
    relay.cut()
    one.open(bench.session.pk)
    expect(one.page.locator("[data-part=usable]")).to_have_text("3")
    relay.mend()
    one.page.unroute("**/entries/")
    one.send_now()
    one.sees_sent()
    assert_server_has(bench.session, one.stored())
    assert DroneTally.objects.count() == 3


def test_who_signs_out_leaves_no_page_but_unsent_entries(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    one.open_lot("T1")
    one.sees_sent()
    one.page.route("**/entries/", lambda route: route.abort())
    one.press("Space", 2)
    wait_until(lambda: len(one.stored()) == 3, seconds=60)
    one.page.goto(f"{relay.url}/more/")
    one.page.locator("main form[action='/sign-out/'] button").click()
    one.page.wait_for_url("**/sign-in/**")
    assert one.page.evaluate("caches.keys().then(names => names.filter(name => name.startsWith('pages-')))") == []
    assert sum(entry["waiting"] for entry in one.stored()) == 2


def test_a_database_without_its_stores_is_mended_and_one_with_entries_is_left_alone(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    one.open_lot("T1")
    one.press("Space", 2)
    one.sees_sent()
    one.open(bench.session.pk)
    assert len(one.stored()) == 3
    one.page.goto(f"{relay.url}/more/")
    one.page.evaluate(EMPTIED)
    one.open(bench.session.pk)
    one.press("Space")
    wait_until(lambda: len(one.stored()) == 1, seconds=60)
    one.sees_sent()
    assert DroneTally.objects.count() == 3


def test_a_nearly_full_tablet_says_so_and_goes_on_taking_taps(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    expect(one.page.locator("[data-part=stands]")).not_to_contain_text("nearly full")
    assert one.context is not None
    one.context.add_init_script(NEARLY_FULL)
    relay.cut()
    one.open(bench.session.pk)
    expect(one.page.locator("[data-part=stands]")).to_contain_text("This tablet is nearly full")
    one.open_lot("T1")
    one.press("Space", 2)
    expect(one.page.locator("[data-part=usable]")).to_have_text("2")
    expect(one.page.locator("[data-part=stands]")).to_contain_text("This tablet is nearly full")
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert DroneTally.objects.count() == 2
    assert_server_has(bench.session, one.stored())
