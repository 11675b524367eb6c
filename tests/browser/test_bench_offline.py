"""The bench without a network, in a real browser: nothing is lost, in the end the server has what the tablet kept."""

import random

import pytest
from playwright.sync_api import Playwright, expect

from accounts.models import Role
from scheduling.models import BenchEntry, Dose, DroneTally, EntryState
from tests.browser.conftest import Switch
from tests.browser.relay import Relay
from tests.browser.tablet import Tablet, assert_server_has
from tests.factories import PersonFactory, RoleGrantFactory
from tests.processes import wait_until
from tests.scheduling.test_bench import Bench

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SEED = 20
ROUNDS = 10
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
    wait_until(lambda: BenchEntry.objects.count() == 2, seconds=60)
    assert set(BenchEntry.objects.filter(kind="tally").values_list("by", flat=True)) == {colleague.pk}
    one.context.clear_cookies()
    one.sign_in(bench.by)
    one.open(bench.session.pk)
    one.sees_sent()
    assert BenchEntry.objects.filter(kind="tally", by=bench.by).count() == 3
    assert DroneTally.objects.count() == 4
