"""At the hives a refusal stands beside its field at once, and what was typed stays: with a signal and without."""

import datetime as dt

import pytest
from playwright.sync_api import expect

from breeding.models import Score
from scheduling.models import DroneCohort, HiveEntry, QueenBatch, Reminder
from tests.browser.conftest import TakeOut
from tests.browser.phone import assert_log_has, reminder_of
from tests.browser.relay import Relay
from tests.factories import ColonyFactory, DroneCohortFactory, HeadingFactory, TraitFactory
from tests.scheduling.world import World

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def cohort(hives: World) -> DroneCohort:
    one: DroneCohort = DroneCohortFactory(
        source__season=hives.season, source__member=hives.member, comb_in_on=dt.date(2026, 5, 20)
    )
    return one


def test_drones_are_counted_without_a_signal_and_stand_on_the_page_of_their_comb(
    hives: World, cohort: DroneCohort, relay: Relay, phone: TakeOut
) -> None:
    one, card, page = phone(), f"/cohorts/{cohort.pk}/", f"/cohorts/{cohort.pk}/count/"
    one.see_once(card, page)
    relay.cut()
    one.go(page)
    one.page.get_by_role("button", name="Save").click()
    expect(one.page.locator("[data-refused]")).to_have_text("Fill this in.")
    expect(one.page.get_by_label("How many")).to_be_focused()
    one.page.get_by_label("How many").fill("740")
    one.page.get_by_label("Counted on").fill("2031-01-01")
    one.page.get_by_role("button", name="Save").click()
    expect(one.page.locator(".field.wrong")).to_contain_text("still to come")
    expect(one.page.get_by_label("How many")).to_have_value("740")
    assert one.stored() == []
    one.page.get_by_label("Counted on").fill("2026-06-01")
    one.page.get_by_role("button", name="Save").click()
    one.page.wait_for_url(f"**{card}")
    expect(one.page.locator("[data-kept-of=count]")).to_contain_text("Counted: 740")
    expect(one.page.locator("[data-kept-of=count]")).to_contain_text("Kept here")
    assert not cohort.counts.exists()
    relay.mend()
    one.send_now()
    one.sees_sent()
    expect(one.page.locator("main table")).to_contain_text("740")
    expect(one.page.locator("[data-kept-of=count]")).to_be_empty()
    count = cohort.counts.get()
    assert (count.kind, count.number, count.counted_on) == ("capped", 740, dt.date(2026, 6, 1))
    assert_log_has(one.stored())
    assert one.said == []


def test_with_a_signal_the_rule_speaks_beside_the_field_and_nothing_is_kept_or_lost(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    batch = hives.batch()
    one = phone()
    one.see_once(f"/batches/{batch.pk}/")
    QueenBatch.objects.update(grafted_on=dt.date(2026, 5, 22))  # corrected elsewhere: this page does not know
    row = one.row("Cells are caged")
    day, wrong = row.locator("input[type=date]"), "2026-05-21"
    day.fill(wrong)
    row.get_by_role("button", name="Yes").click()
    expect(row.locator("[data-refused]")).to_contain_text("before the graft")
    expect(day).to_be_focused()
    expect(day).to_have_attribute("aria-invalid", "true")
    expect(day).to_have_value(wrong)
    assert (one.stored(), HiveEntry.objects.count()) == ([], 0)
    day.fill("2026-05-29")
    row.get_by_role("button", name="Yes").click()
    one.has_sent(1)
    batch.refresh_from_db()
    assert batch.caged_on == dt.date(2026, 5, 29)
    assert [entry["state"] for entry in one.stored()] == ["taken"]


def test_a_signal_that_ends_between_the_page_and_the_tap_loses_nothing(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    batch = hives.batch(virgins=1)
    queen = batch.batch_queens.get()
    one = phone()
    one.see_once(f"/batches/{batch.pk}/", f"/queens/{queen.pk}/check/")
    one.page.get_by_label("Eggs", exact=True).check()
    one.page.get_by_label("Note").fill("in the lowest comb")
    relay.cut()
    one.page.get_by_role("button", name="Keep").click()
    one.page.wait_for_url(f"**/batches/{batch.pk}/")
    one.waits(1)
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert (queen.checks.get().finding, queen.checks.get().note) == ("eggs", "in the lowest comb")
    assert_log_has(one.stored())


def test_a_score_that_the_rules_refuse_is_shown_on_its_screen_with_a_signal_and_without(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    colony = ColonyFactory(apiary=hives.apiary, name="H1")
    HeadingFactory(colony=colony, since=dt.date(2026, 5, 1), queen__owner=hives.member)
    for position, key in enumerate(("gentleness", "pin_test")):
        TraitFactory(cooperative=hives.cooperative, key=key, position=position)
    one = phone()
    one.see_once("/stock/score-sheet/")
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    one.page.locator("[name=scored_on]").fill("2026-04-20")  # nobody headed it yet: only the server knows
    one.press("PageDown")
    one.press("3")
    one.page.get_by_role("button", name="Look over").click()
    one.page.get_by_role("button", name="Keep the scores").click()
    expect(one.page.locator("[data-part=wrong]")).to_contain_text("No queen is recorded")
    expect(one.page.locator("[name=scored_on]")).to_be_visible()
    relay.cut()
    one.page.locator("[name=scored_on]").fill("2026-06-02")
    one.page.locator("[data-go]").click()
    one.page.locator("[data-go]").click()
    one.page.locator("[name=pin_test-part]").fill("51")
    one.page.locator("[data-go]").click()
    expect(one.page.locator("[data-part=wrong]")).to_contain_text("51 of 50 are not possible")
    expect(one.page.locator("[data-part=wrong]")).to_be_in_viewport()
    one.page.locator("[name=pin_test-part]").fill("45")
    one.page.locator("[data-go]").click()
    assert one.stored() == []
    one.page.get_by_role("button", name="Keep the scores").click()
    one.waits(2)
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert list(Score.objects.order_by("trait__position").values_list("value", flat=True)) == [3, 90]
    assert one.said == []


def test_let_go_and_take_back_need_no_signal(hives: World, relay: Relay, phone: TakeOut) -> None:
    first, second = reminder_of(hives, "Look at Ling"), reminder_of(hives, "Look at Fell")
    one = phone()
    one.see_once("/reminders/")
    one.row("Look at Fell").get_by_role("button", name="Done").click()
    one.has_sent(1)
    one.see_once("/reminders/")
    relay.cut()
    one.go("/reminders/")
    one.row("Look at Ling").get_by_role("link", name="Put off").click()
    one.page.locator("#put-off").get_by_role("button", name="Let it go").click()
    expect(one.row("Look at Ling")).to_contain_text("Kept here")
    expect(one.page.locator("#toasts")).to_contain_text("Let go: Look at Ling. Kept here until there is a signal.")
    one.row("Look at Fell").get_by_role("button", name="Take back").click()
    one.waits(2)
    assert Reminder.objects.get(pk=second.pk).state == "done"
    relay.mend()
    one.send_now()
    one.sees_sent()
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.state, first.ended_by, second.state) == ("let_go", hives.owner, "wanted")
    assert_log_has(one.stored())
