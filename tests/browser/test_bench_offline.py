"""The bench without a network, in a real browser: nothing is lost, in the end the server has what the tablet kept."""

import random
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.core.handlers.wsgi import WSGIHandler
from django.db import connection
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from playwright.sync_api import Playwright, expect, sync_playwright

from accounts.models import Role
from config import worker
from scheduling.models import BenchEntry, BenchSession, Dose, DroneTally, EntryState
from scheduling.planning.bench_log import STEPS, UNDO, BenchState, Entry, reduce_log
from scheduling.planning.what_now import SourceNow, what_now
from scheduling.queries.bench_log import bench_state, entries_taken
from tests.browser.relay import Relay
from tests.browser.tablet import Tablet
from tests.factories import NOW, PersonFactory, RoleGrantFactory
from tests.processes import wait_until
from tests.scheduling.test_bench import Bench

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SEED = 20
ROUNDS = 10
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
UPDATE = """async () => {
  const registration = await navigator.serviceWorker.ready;
  const changed = new Promise((resolve) => navigator.serviceWorker.addEventListener("controllerchange", resolve));
  await registration.update();
  await changed;
}"""
REPLAY = """async ({session, person, entries}) => {
  const {csrf} = await (await fetch(`/bench/${session}/data/`)).json();
  const statuses = [];
  for (let from = 0; from < entries.length; from += 37) {
    const part = entries.slice(from, from + 37);
    const answer = await fetch(`/bench/${session}/entries/`, {
      method: "POST",
      headers: {"Content-Type": "application/json", "X-CSRFToken": csrf},
      body: JSON.stringify({device: part[0].device, person, sent_at: new Date().toISOString(), entries: part}),
    });
    statuses.push(answer.status);
  }
  return statuses;
}"""
CHANCES = """async (cases) => {
  const {whatNow} = await import("/static/js/bench/what-now.js");
  return cases.map(({sources, queens}) => whatNow(sources, queens));
}"""
FOLD = """async ({initial, logs}) => {
  const {reduceLog} = await import("/static/js/bench/reduce.js");
  return logs.map((log) => reduceLog(initial, log));
}"""


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    with pytest.MonkeyPatch.context() as patch:
        # Playwright keeps an event loop on this thread; the database is used by no coroutine of it.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        with sync_playwright() as one:
            yield one


@pytest.fixture
def server_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The server's clock runs, from the morning of the bench day on; the tablet's own shows another year."""
    real = timezone.now
    began = real()
    monkeypatch.setattr(timezone, "now", lambda: NOW + (real() - began))


@pytest.fixture
def own_transactions(monkeypatch: pytest.MonkeyPatch) -> None:
    """In memory, SQLite has one connection for all threads of the server: requests then come one after the other."""
    if connection.vendor != "sqlite":
        return
    lock, answer = threading.Lock(), WSGIHandler.get_response

    def in_turn(handler: WSGIHandler, request: HttpRequest) -> HttpResponseBase:
        with lock:
            return answer(handler, request)

    monkeypatch.setattr(WSGIHandler, "get_response", in_turn)


@pytest.fixture
def bench(transactional_db: None, server_clock: None, own_transactions: None) -> Bench:
    one = Bench(queens=4)
    RoleGrantFactory(person=one.by, cooperative=one.session.season.cooperative, role=Role.OPERATOR)
    return one


@pytest.fixture
def relay(live_server: Any) -> Iterator[Relay]:
    parts = urlsplit(live_server.url)
    one = Relay(str(parts.hostname), int(parts.port or 0))
    yield one
    one.close()


Switch = Callable[..., Tablet]


@pytest.fixture
def tablet(playwright: Playwright, relay: Relay, bench: Bench, tmp_path: Path) -> Iterator[Switch]:
    """`tablet()`: a tablet that has visited the bench once, with the operator signed in."""
    made: list[Tablet] = []

    def switched_on(name: str = "one", person: Any = None) -> Tablet:
        one = Tablet(playwright, relay, tmp_path / name)
        made.append(one)
        one.sign_in(person or bench.by)
        one.visit_once(bench.session.pk)
        return one

    yield switched_on
    for one in made:
        one.off()


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
    initial["lots"], initial["tip"] = {}, {"name": "", "source": None}
    for queen in initial["queens"].values():
        queen["state"], queen["reason"], queen["doses"], queen["first_co2"] = "waiting", "", 0, 0
        queen["gas"] = queen["gas_with_dose"] = False
    for place in initial["places"].values():
        place["state"] = "held"
    assert reduce_log(initial, entries_taken(session)) == bench_state(session)


def test_a_queen_is_inseminated_without_a_network_and_sent_later(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    relay.cut()
    one.open(bench.session.pk)
    one.open_lot("T1")
    one.press("Space", 9)
    one.press("KeyN", 3)
    expect(one.page.locator("[data-part=usable]")).to_have_text("9")
    expect(one.page.locator("[data-part=none]")).to_have_text("3")
    one.read("12,5")
    one.press("KeyC")
    expect(one.page.locator("[data-part=gas-clock]")).to_be_visible()
    one.press("KeyC")
    one.press("Enter")
    expect(one.page.locator(".order-list > li").first).to_contain_text("8 µl")
    expect(one.page.locator("#sent")).to_contain_text("no signal")
    assert BenchEntry.objects.count() == 0
    relay.mend()
    one.page.evaluate("dispatchEvent(new Event('online'))")
    one.sees_sent()
    assert_server_has(bench.session, one.stored())
    assert (Dose.objects.get().volume_tenths, DroneTally.objects.count()) == (80, 12)
    assert set(BenchEntry.objects.values_list("state", flat=True)) == {EntryState.TAKEN}
    assert one.said == []


def test_500_entries_killed_at_random_moments_are_all_there(
    bench: Bench, relay: Relay, tablet: Switch, playwright: Playwright
) -> None:
    chance = random.Random(SEED)
    one = tablet()
    one.open_lot("T1")
    seen = 0
    for round_ in range(ROUNDS):
        # Some rounds without a network, some with one that loses answers, some with a good one.
        if round_ % 3 == 0:
            relay.cut()
        else:
            relay.mend()
            relay.answers_lost = 3 * (round_ % 3 - 1)
        one.tap_away(chance.choices(["Space", "KeyN", "KeyU"], weights=[6, 4, 1], k=500 // ROUNDS))
        one.page.wait_for_timeout(chance.randrange(0, 400))
        shown = len(one.stored())
        one.crash()
        one.switch_on()
        relay.answers_lost = 0
        one.open_after_crash(bench.session.pk, bench.by)
        kept = len(one.stored())
        assert kept >= shown >= seen
        seen = kept
    relay.mend()
    one.open_after_crash(bench.session.pk, bench.by)
    missing = 500 - len(one.stored())
    one.tap_away(["Space"] * max(0, missing))
    wait_until(lambda: len(one.stored()) >= 500, seconds=60)
    one.send_now()
    one.sees_sent()
    replay(one, bench, chance)
    stored = one.stored()
    assert [entry["waiting"] for entry in stored] == [0] * len(stored)
    assert_server_has(bench.session, stored)
    assert BenchEntry.objects.count() == len(stored) >= 500


def replay(one: Tablet, bench: Bench, chance: random.Random) -> None:
    """All of it once more, turned round and in small parts: nothing changes."""
    entries = one.stored()
    chance.shuffle(entries)
    before = BenchEntry.objects.count()
    statuses = one.page.evaluate(REPLAY, {"session": bench.session.pk, "person": bench.by.pk, "entries": entries})
    assert set(statuses) == {200}
    assert BenchEntry.objects.count() == before


def test_two_tablets_merge_and_what_clashes_needs_a_look(bench: Bench, relay: Relay, tablet: Switch) -> None:
    colleague = PersonFactory()
    RoleGrantFactory(person=colleague, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    one = tablet()
    one.open_lot("T1")
    one.press("Space", 4)
    one.read("30")
    one.sees_sent()
    two = tablet("two", colleague)
    relay.cut()
    one.open(bench.session.pk)
    two.open(bench.session.pk)
    for each, taps in ((one, 3), (two, 5)):
        each.press("Space", taps)
        each.press("Enter")  # both give the first queen semen
        expect(each.page.locator(".order-list > li").first).to_contain_text("8 µl")
    relay.mend()
    for each in (one, two):
        each.send_now()
        each.sees_sent()
    entry = BenchEntry.objects.get(state=EntryState.LOOK)
    assert (entry.kind, entry.rule) == ("dose", "place_not_held")
    later = one if entry.by == bench.by else two  # whose dose arrived after the other's
    expect(later.page.locator("[data-part=looks]")).to_contain_text("1 to look at")
    one.open(bench.session.pk)
    expect(one.page.locator("[data-part=usable]")).to_have_text("12")
    assert Dose.objects.count() == 1
    assert {str(pk) for pk in BenchEntry.objects.values_list("pk", flat=True)} == {
        kept["id"] for each in (one, two) for kept in each.stored()
    }


def test_entries_wait_until_the_same_person_signs_in_again(bench: Bench, relay: Relay, tablet: Switch) -> None:
    colleague = PersonFactory()
    RoleGrantFactory(person=colleague, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    one = tablet()
    one.open_lot("T1")
    one.sees_sent()
    assert one.context is not None
    one.context.clear_cookies()
    one.press("Space", 3)
    expect(one.page.locator("#sent")).to_contain_text("Sign in to send 3 entries")
    assert BenchEntry.objects.count() == 1
    one.page.locator("#sent a").click()
    one.page.wait_for_url("**/sign-in/**")
    one.sign_in(colleague)
    one.open(bench.session.pk)
    expect(one.page.locator("#sent")).to_contain_text("3 to send when")
    one.press("Space", 1)
    expect(one.page.locator("#sent")).to_contain_text("3 to send when")
    wait_until(lambda: BenchEntry.objects.count() == 2, seconds=20)
    assert set(BenchEntry.objects.filter(kind="tally").values_list("by", flat=True)) == {colleague.pk}
    one.context.clear_cookies()
    one.sign_in(bench.by)
    one.open(bench.session.pk)
    one.sees_sent()
    assert BenchEntry.objects.filter(kind="tally", by=bench.by).count() == 3
    assert DroneTally.objects.count() == 4


def test_a_clock_an_hour_wrong_and_set_while_the_page_stands_gives_true_times(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    assert one.context is not None
    one.context.add_init_script(WRONG_CLOCK)
    one.open(bench.session.pk)
    one.sees_sent()
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
    wait_until(lambda: len(one.stored()) == 3, seconds=10)
    one.page.goto(f"{relay.url}/more/")
    one.page.locator("main form[action='/sign-out/'] button").click()
    one.page.wait_for_url("**/sign-in/**")
    assert one.page.evaluate("caches.has('bench-pages')") is False
    assert sum(entry["waiting"] for entry in one.stored()) == 2


def test_rules_are_said_at_once_without_a_network(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    relay.cut()
    say = one.page.locator("[data-part=say]")
    one.open_lot("T1")
    one.press("Space", 2)
    one.press("Enter")
    expect(say).to_contain_text("holds 0 µl")
    one.read("40")
    one.read("30")
    expect(say).to_contain_text("should be 40 µl")
    one.page.locator("#dose-form [name=volume]").fill("18,5")
    one.page.locator("h1").click()
    one.press("Enter")
    expect(say).to_contain_text("18.5 µl at once is above 18 µl")
    reason = one.page.locator("#dose-form [name=override_reason]")
    expect(reason).to_be_focused()
    reason.fill("Asked for by her keeper")
    reason.press("Enter")
    expect(one.page.locator(".order-list > li").first).to_contain_text("18.5 µl")
    one.page.locator("[data-part=open-lot] summary").click()
    one.page.select_option("form[data-kind=lot_open] [name=source]", str(bench.other.pk))
    one.page.fill("form[data-kind=lot_open] [name=tip]", "t1")
    one.page.locator("form[data-kind=lot_open] button").click()
    expect(say).to_contain_text("has touched semen of")
    one.page.get_by_role("link", name="Set aside").click()
    one.page.fill("#aside-reason", "Wing torn")
    one.page.locator("#aside-dialog button").first.click()
    expect(one.page.locator(".order-list > li").nth(1)).to_contain_text("Set aside")
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert Dose.objects.get().override_reason == "dose_limit: Asked for by her keeper"
    assert set(BenchEntry.objects.values_list("state", flat=True)) == {EntryState.TAKEN}
    assert_server_has(bench.session, one.stored())


def test_no_page_that_reckons_with_the_server_opens_before_all_is_sent(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    one.open_lot("T1")
    one.sees_sent()
    relay.cut()
    one.press("Space", 2)
    expect(one.page.locator("[data-part=usable]")).to_have_text("2")
    one.page.get_by_role("link", name="End…").click()
    expect(one.page.locator("[data-part=say]")).to_contain_text("2 taps are not sent yet")
    relay.mend()
    one.page.get_by_role("link", name="End…").click()
    one.page.wait_for_url("**/close/")


def test_what_now_is_worked_out_without_a_network_and_kept_with_one(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    relay.cut()
    one.open_lot("T1")
    one.press("Space", 4)
    one.read("20")
    one.page.get_by_role("link", name="What now?").click()
    rows = one.page.locator("[data-part=now-queens] > li")
    expect(rows).to_have_count(4)
    field = one.page.locator("[data-part=now-drones] input").first
    field.fill("0")
    assert [row.get_attribute("data-fate") for row in rows.all()] == ["dose", "dose", "move", "move"]
    expect(rows.nth(2)).to_contain_text("0 %: back into the queue")
    field.fill("200")
    assert [row.get_attribute("data-fate") for row in rows.all()] == ["dose"] * 4
    field.fill("0")
    relay.mend()
    one.page.get_by_role("link", name="Change and keep it so").click()
    one.page.wait_for_url("**/what-now/?left*")
    expect(one.page.locator("h1")).to_contain_text("2 queens are sure of their full dose, 0 may get it, 2 cannot")


def test_tablet_and_server_give_the_same_chances(bench: Bench, tablet: Switch) -> None:
    one = tablet()
    chance = random.Random(SEED)
    cases: list[dict[str, Any]] = []
    for _ in range(40):
        sources = {
            name: {
                "left": chance.randrange(200),
                "usable": (usable := chance.randrange(40)),
                "tried": usable + chance.randrange(40),
                "drones_left": chance.randrange(200),
                "collected": chance.randrange(500),
                "share_mean": chance.uniform(0.1, 0.9),
                "share_kappa": chance.uniform(1, 60),
                "tenths_per_drone": chance.uniform(5, 20),
            }
            for name in "AB"
        }
        queens = [[str(number), chance.choice("AB"), chance.randrange(30, 120)] for number in range(15)]
        cases.append({"sources": sources, "queens": queens})
    for case, found in zip(cases, one.page.evaluate(CHANCES, cases), strict=True):
        wanted = what_now(
            {name: SourceNow(**facts) for name, facts in case["sources"].items()},
            [(queen, source, dose) for queen, source, dose in case["queens"]],
        )
        for queen, verdict in wanted.items():
            assert found[queen]["chance"] == pytest.approx(verdict.chance, abs=1e-9)
            assert found[queen]["fate"] == verdict.fate


def test_a_scanned_label_confirms_the_queen_or_puts_another_on_the_place(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    relay.cut()
    first, second = bench.queens[0], bench.queens[1]
    for text, words in (
        (f"HTTP://127.0.0.1:8000/Q/{first.queen_id}", "the right queen"),
        ("XX-99", "no queen of this batch"),
    ):
        one.press("KeyM")
        expect(one.page.locator("#mark-scan")).to_be_focused()
        one.page.keyboard.type(text)
        expect(one.page.locator("#mark-scan")).to_have_value(text)
        one.page.keyboard.press("Enter")
        expect(one.page.locator("#mark-dialog")).to_be_hidden()
        expect(one.page.locator("[data-part=say]")).to_contain_text(words)
    one.press("KeyM")
    one.page.keyboard.type(str(second).lower())
    one.page.keyboard.press("Enter")
    expect(one.page.locator("[data-part=label]")).to_have_text(str(second))
    expect(one.page.locator(".order-list .code").nth(1)).to_have_text(str(first))
    relay.mend()
    one.send_now()
    one.sees_sent()
    bench.places[0].refresh_from_db()
    assert bench.places[0].batch_queen == second
    assert BenchEntry.objects.count() == 1
    assert_server_has(bench.session, one.stored())


def test_both_folds_say_the_same(bench: Bench, tablet: Switch) -> None:
    one = tablet()
    chance = random.Random(SEED)
    initial = bench_state(bench.session)
    logs = [random_log(chance, initial) for _ in range(60)]
    found = one.page.evaluate(FOLD, {"initial": initial, "logs": logs})
    for log, state in zip(logs, found, strict=True):
        for queen in state["queens"].values():
            queen.pop("given", None)
            queen.pop("gas_since", None)
        assert state == reduce_log(initial, log)


def random_log(chance: random.Random, initial: BenchState) -> list[Entry]:
    """A log of entries that a server could have taken, as far as a fold can tell."""
    log: list[Entry] = []
    lots: list[str] = []
    places, queens = [int(pk) for pk in initial["places"]], [int(pk) for pk in initial["queens"]]
    for number in range(40):
        kind = chance.choice(["lot_open", *STEPS]) if lots else "lot_open"
        one = f"e{number}"
        said: dict[str, dict[str, Any]] = {
            "lot_open": {"source": chance.choice([1, 2]), "tip": chance.choice("AB")},
            "tally": {"outcome": chance.choice(["usable", "none"]), "drones": chance.choice([1, 2])},
            "reading": {"volume": chance.randrange(300)},
            "take_out": {"what": chance.choice(["stored", "discarded", "lost"]), "volume": chance.randrange(1, 40)},
            "gas_on": {"queen": chance.choice(queens), "with_dose": chance.random() < 0.5},
            "gas_off": {"queen": chance.choice(queens)},
            "dose": {"place": chance.choice(places), "volume": chance.randrange(1, 100)},
            "aside": {"place": chance.choice(places), "lost": chance.random() < 0.5, "reason": "lame"},
            "back": {"place": chance.choice(places)},
            "mark": {"place": chance.choice(places), "queen": chance.choice(queens)},
            "undo": {"of": chance.choice([entry["id"] for entry in log if entry["kind"] in UNDO] or [""])},
        }
        facts = said[kind]
        if kind == "undo" and not facts["of"]:
            continue
        if kind in {"tally", "reading", "take_out", "dose"}:
            facts["lot"] = chance.choice(lots)
        if kind == "lot_open":
            lots.append(one)
        log.append({"id": one, "kind": kind, "facts": facts})
    return log
