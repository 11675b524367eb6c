"""What can happen to a phone while much is written down: in the end the server has what the phone kept, once.

The long form: BROODTIDE_HIVE_ENTRIES=500 pytest tests/browser/test_hive_troubles.py
"""

import datetime as dt
import os
import random
from typing import Any

import pytest
from playwright.sync_api import expect

from breeding.models import Colony, Score
from scheduling.models import EntryState, HiveEntry
from tests.browser.conftest import TakeOut
from tests.browser.phone import Phone, assert_log_has, reminder_of
from tests.browser.relay import Relay
from tests.factories import ColonyFactory, HeadingFactory, TraitFactory
from tests.processes import wait_until
from tests.scheduling.world import World

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SEED = 20
ENTRIES = int(os.environ.get("BROODTIDE_HIVE_ENTRIES", "40"))
ROUNDS = 2 if ENTRIES < 100 else 10
SHEET = "/stock/score-sheet/"
#: Written down faster than by any hand; nobody waits until an entry lies on the device.
WRITE = """async (facts) => {
  const { keeper } = await import(document.querySelector("script[src*='offline/page.']").src);
  for (const one of facts) keeper.keep("score", one);
}"""
REPLAY = """async ({ home, person, entries }) => {
  const { csrf } = await (await fetch(`${home}data/`)).json();
  const statuses = [];
  for (let from = 0; from < entries.length; from += 17) {
    const part = entries.slice(from, from + 17);
    const answer = await fetch(`${home}entries/`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
      body: JSON.stringify({ device: part[0].device, person, sent_at: new Date().toISOString(), entries: part }),
    });
    statuses.push(answer.status);
  }
  return statuses;
}"""
NEARLY_FULL = "navigator.storage.estimate = async () => ({ usage: 95, quota: 100 })"


@pytest.fixture
def colonies(hives: World) -> list[Colony]:
    for position, key in enumerate(("gentleness", "calmness")):
        TraitFactory(cooperative=hives.cooperative, key=key, position=position)
    found: list[Colony] = [ColonyFactory(apiary=hives.apiary, name=f"H{number}") for number in (1, 2)]
    for colony in found:
        HeadingFactory(colony=colony, since=dt.date(2024, 8, 1), queen__owner=hives.member)
    return found


def scores_of(colonies: list[Colony]) -> list[dict[str, Any]]:
    """Different ones: one colony, one trait, one day each."""
    days = [dt.date(2025, 5, 1) + dt.timedelta(days=number) for number in range(1 + ENTRIES // 4)]
    return [
        {"colony": colony.pk, "trait": trait, "on": day.isoformat(), "value": str(1 + (day.day + colony.pk) % 4)}
        for day in days
        for colony in colonies
        for trait in ("gentleness", "calmness")
    ][:ENTRIES]


def open_sheet(one: Phone, hives: World) -> None:
    one.sign_in_if_asked(SHEET, hives.owner)
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")


def assert_scores_are_log() -> None:
    taken = HiveEntry.objects.filter(kind="score", state=EntryState.TAKEN)
    told = {one.pk: (one.facts["colony"], one.facts["on"], int(one.facts["value"])) for one in taken}
    live = Score.objects.filter(replaced_by=None, withdrawn_at=None)
    assert {one.entry: (one.colony_id, one.scored_on.isoformat(), int(one.value)) for one in live} == told


def test_entries_killed_at_random_moments_sent_twice_and_out_of_order_are_all_there_once(
    hives: World, colonies: list[Colony], relay: Relay, phone: TakeOut
) -> None:
    chance = random.Random(SEED)
    facts = scores_of(colonies)
    one = phone()
    one.see_once(SHEET)
    seen = 0
    for round_ in range(ROUNDS):
        # Without a network, with one that loses answers, and with a good one by turns.
        if round_ % 3 == 0:
            relay.cut()
        else:
            relay.mend()
            relay.answers_lost = 2 * (round_ % 3)
        open_sheet(one, hives)
        shown = len(one.stored())
        assert shown >= seen
        one.page.evaluate(WRITE, facts[shown : shown + ENTRIES // ROUNDS])
        one.page.wait_for_timeout(chance.randrange(0, 300))
        seen = len(one.stored())
        one.crash()
        one.switch_on()
        relay.answers_lost = 0
    relay.mend()
    open_sheet(one, hives)
    kept = len(one.stored())
    assert kept >= seen
    one.page.evaluate(WRITE, facts[kept:])
    one.has_sent(ENTRIES)
    entries = one.stored()
    assert_log_has(entries)
    assert_scores_are_log()
    assert list(HiveEntry.objects.exclude(state=EntryState.TAKEN).values_list("rule", "words")) == []
    assert Score.objects.count() == ENTRIES
    chance.shuffle(entries)
    home = f"/kept/{hives.cooperative.pk}/"
    statuses = one.page.evaluate(REPLAY, {"home": home, "person": hives.owner.pk, "entries": entries})
    assert set(statuses) == {200}
    assert_log_has(one.stored())
    assert_scores_are_log()


def test_two_tabs_of_one_phone_never_take_an_entry_from_each_other(
    hives: World, colonies: list[Colony], relay: Relay, phone: TakeOut
) -> None:
    one, facts = phone(), scores_of(colonies)
    one.see_once(SHEET)
    first = one.page
    assert one.context is not None
    second = one.page = one.context.new_page()
    open_sheet(one, hives)
    relay.cut()
    for place in range(0, 24, 6):  # while neither waits for the other
        for tab, some in ((first, facts[place : place + 3]), (second, facts[place + 3 : place + 6])):
            tab.evaluate(WRITE, some)
    one.waits(24)
    assert sorted(entry["number"] for entry in one.stored()) == list(range(1, 25))
    relay.mend()
    one.send_now()
    one.has_sent(24)
    assert_log_has(one.stored())
    assert_scores_are_log()
    assert one.said == []


def test_an_entry_that_the_server_lost_would_be_found(
    hives: World, colonies: list[Colony], relay: Relay, phone: TakeOut
) -> None:
    """The control: the comparison fails where a row is missing or says something else."""
    one = phone()
    one.see_once(SHEET)
    one.page.evaluate(WRITE, scores_of(colonies)[:2])
    one.has_sent(2)
    assert_log_has(one.stored())
    Score.objects.filter(pk=Score.objects.earliest("pk").pk).update(value=9)
    with pytest.raises(AssertionError):
        assert_scores_are_log()
    HiveEntry.objects.order_by("number")[0].delete()
    with pytest.raises(AssertionError):
        assert_log_has(one.stored())


def test_a_draft_of_the_score_sheet_outlives_an_empty_battery_and_a_nearly_full_phone_says_so(
    hives: World, colonies: list[Colony], relay: Relay, phone: TakeOut
) -> None:
    one = phone()
    one.see_once(SHEET)
    relay.cut()
    open_sheet(one, hives)
    one.press("PageDown")
    one.press("4")
    wait_until(lambda: bool(one.drafts()), seconds=60)
    one.crash()
    one.switch_on()
    assert one.context is not None
    one.context.add_init_script(NEARLY_FULL)
    open_sheet(one, hives)
    expect(one.page.locator("#sheet section[data-step]:visible input:checked")).to_have_value("4")
    expect(one.page.locator("#toasts")).to_contain_text("nearly full")
    one.page.get_by_role("button", name="Look over").click()
    one.page.get_by_role("button", name="Keep the scores").click()
    one.waits(1)
    relay.mend()
    open_sheet(one, hives)
    one.has_sent(1)
    assert_log_has(one.stored())


def test_an_answer_that_was_lost_is_asked_for_again_and_changes_nothing_twice(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    reminder = reminder_of(hives, "Look at Ling")
    one = phone()
    one.see_once("/reminders/")
    one.page.route("**/entries/", lambda route: (route.fetch(), route.abort()))  # it arrives, its answer does not
    one.row("Look at Ling").get_by_role("button", name="Done").click()
    one.says("1 to send")
    one.page.unroute("**/entries/")
    one.send_now()
    one.has_sent(1)
    reminder.refresh_from_db()
    assert (reminder.state, HiveEntry.objects.count()) == ("done", 1)
    assert_log_has(one.stored())
