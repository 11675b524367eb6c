"""Members' pages without a signal: seen once, they open; what is written down is kept and sent once."""

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from breeding.models import Score
from config import worker
from scheduling.models import EntryState, HiveEntry, Reminder
from tests.browser.conftest import TakeOut
from tests.browser.phone import assert_log_has, reminder_of
from tests.browser.relay import Relay
from tests.browser.test_bench_device import FULL, UPDATE, WRONG_CLOCK
from tests.factories import ColonyFactory, HeadingFactory, TraitFactory
from tests.processes import wait_until
from tests.scheduling.world import World

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_reminder_is_settled_without_a_signal_over_reload_and_crash(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    first, second = reminder_of(hives, "Look at Ling"), reminder_of(hives, "Look at Fell")
    one = phone()
    one.see_once("/", "/reminders/")
    relay.cut()
    one.go("/")
    expect(one.page.locator("#copy-note")).to_contain_text("This is how the page looked on")
    one.row("Look at Ling").get_by_role("button", name="Done").click()
    expect(one.row("Look at Ling")).to_contain_text("Kept here")
    one.says("1 to send · no signal")
    one.go("/reminders/")
    expect(one.row("Look at Ling")).to_contain_text("Kept here")
    one.row("Look at Fell").get_by_role("link", name="Put off").click()
    one.page.locator("#put-off").get_by_role("button", name="Put off").click()
    one.waits(2)
    one.crash()
    one.switch_on()
    assert Reminder.objects.filter(state="wanted").count() == 2
    relay.mend()
    one.sign_in_if_asked("/reminders/", hives.owner)
    one.sees_sent()
    stored = one.stored()
    assert_log_has(stored)
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.state, first.ended_by, second.state) == ("done", hives.owner, "put_off")
    assert first.ended_at is not None
    assert first.ended_at <= HiveEntry.objects.get(kind="reminder", facts__act="done").received_at
    assert one.said == []


def test_steps_of_a_batch_are_confirmed_with_one_tap_and_taken_back(hives: World, relay: Relay, phone: TakeOut) -> None:
    batch = hives.batch(virgins=2)
    one = phone()
    one.see_once(f"/batches/{batch.pk}/")
    relay.cut()
    one.go(f"/batches/{batch.pk}/")
    one.row("Excluder is on every nuc").get_by_role("button", name="Yes").click()
    one.row("First CO2").get_by_role("button", name="Gas on").click()
    expect(one.page.locator("main co2-clock")).to_be_visible()
    one.go(f"/batches/{batch.pk}/")
    expect(one.page.locator("main co2-clock")).to_be_visible()
    expect(one.page.locator("main co2-clock")).to_contain_text("0:02")
    one.row("First CO2").get_by_role("button", name="Gas off").click()
    one.waits(2)
    relay.mend()
    one.send_now()
    one.sees_sent()
    expect(one.page.locator("#confirm")).to_have_count(0)
    batch.refresh_from_db()
    today = timezone.now()
    assert batch.excluder_on == today.date()
    assert batch.first_co2_from is not None
    assert batch.first_co2_at is not None
    assert 1 <= (batch.first_co2_at - batch.first_co2_from).total_seconds() < 120
    assert batch.first_co2_at <= today
    one.page.locator("#toasts [data-toast]").filter(has_text="First CO2").get_by_role("button", name="Undo").click()
    wait_until(lambda: len(one.stored()) == 3, seconds=60)
    one.sees_sent()
    batch.refresh_from_db()
    assert batch.first_co2_at is None
    assert_log_has(one.stored())


def test_what_was_found_at_a_queen_is_kept_without_a_signal(hives: World, relay: Relay, phone: TakeOut) -> None:
    batch = hives.batch(virgins=1)
    queen = batch.batch_queens.get()
    one = phone()
    one.see_once(f"/batches/{batch.pk}/", f"/queens/{queen.pk}/check/")
    relay.cut()
    one.go(f"/queens/{queen.pk}/check/")
    one.page.get_by_label("Eggs", exact=True).check()
    one.page.get_by_label("Note").fill("in the lowest comb")
    one.page.get_by_role("button", name="Keep").click()
    one.page.wait_for_url(f"**/batches/{batch.pk}/")
    one.waits(1)
    assert not queen.checks.exists()
    relay.mend()
    one.send_now()
    one.sees_sent()
    found = queen.checks.get()
    assert (found.finding, found.note, found.checked_by) == ("eggs", "in the lowest comb", hives.owner)
    assert_log_has(one.stored())


def test_an_hour_wrong_clock_a_full_phone_and_an_update_lose_and_bend_nothing(
    hives: World, relay: Relay, phone: TakeOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [reminder_of(hives, f"Look at {name}") for name in ("Ling", "Fell", "Thrift")]
    one = phone()
    assert one.context is not None
    one.context.add_init_script(WRONG_CLOCK)
    one.see_once("/reminders/")
    relay.cut()
    one.row("Look at Ling").get_by_role("button", name="Done").click()
    one.waits(1)
    one.page.evaluate(FULL, 2)
    one.row("Look at Fell").get_by_role("button", name="Done").click()
    expect(one.page.locator("#toasts")).to_contain_text("was not kept")
    one.row("Look at Fell").get_by_role("button", name="Done").click()
    one.waits(2)
    relay.mend()
    monkeypatch.setattr(worker, "SHELL", worker.SHELL[:-1])
    one.page.route("**/entries/", lambda route: route.abort())
    one.page.evaluate(UPDATE)
    relay.cut()
    one.go("/reminders/")
    expect(one.row("Look at Fell")).to_contain_text("Kept here")
    one.row("Look at Thrift").get_by_role("button", name="Done").click()
    one.waits(3)
    relay.mend()
    one.page.unroute("**/entries/")
    one.send_now()
    one.sees_sent()
    now = timezone.now()
    for reminder in rows:
        reminder.refresh_from_db()
        assert reminder.state == "done"
        assert reminder.ended_at is not None
        assert 0 <= (now - reminder.ended_at).total_seconds() < 300
    assert_log_has(one.stored())


def test_signing_out_clears_the_pages_and_nobody_sends_under_another_name(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    reminder, colleague = reminder_of(hives, "Look at Ling"), hives.person(member=hives.member)
    one = phone()
    one.see_once("/", "/reminders/")
    one.page.route("**/entries/", lambda route: route.abort())
    one.row("Look at Ling").get_by_role("button", name="Done").click()
    one.waits(1)
    assert one.copies() == [f"pages-{hives.owner.pk} /", f"pages-{hives.owner.pk} /reminders/"]
    assert one.context is not None
    one.context.clear_cookies()
    one.page.unroute("**/entries/")
    one.send_now()
    one.says("Sign in to send 1 entry")
    one.sign_in(colleague)
    one.see_once("/reminders/")
    one.says("1 to send when")
    assert {name.split()[0] for name in one.copies()} == {f"pages-{colleague.pk}"}
    assert HiveEntry.objects.count() == 0
    one.page.goto(f"{relay.url}/more/")
    one.page.locator("main form[action='/sign-out/'] button").click()
    one.page.wait_for_url("**/sign-in/**")
    assert one.copies() == []
    relay.cut()
    one.page.goto(f"{relay.url}/reminders/")
    expect(one.page.locator("h1")).to_contain_text("No signal")
    relay.mend()
    one.sign_in(hives.owner)
    one.go("/reminders/")
    one.sees_sent()
    reminder.refresh_from_db()
    assert (reminder.state, reminder.ended_by) == ("done", hives.owner)


def test_two_phones_at_one_batch_merge_and_what_differs_is_decided_by_a_person(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    batch, colleague = hives.batch(), hives.person(member=hives.member)
    one, two = phone(), phone("two", colleague)
    for each in (one, two):
        each.see_once(f"/batches/{batch.pk}/")
    relay.cut()
    days = {"one": "2026-05-29", "two": "2026-05-30"}
    for each, day in ((one, days["one"]), (two, days["two"])):
        each.row("Cells are caged").locator("input[type=date]").fill(day)
        each.row("Cells are caged").get_by_role("button", name="Yes").click()
        each.waits(1)
    two.page.route("**/entries/", lambda route: route.abort())  # each sends by itself when it can: one comes first
    relay.mend()
    one.send_now()
    one.sees_sent()
    two.page.unroute("**/entries/")
    two.send_now()
    two.sees_sent()
    expect(two.row("Cells are caged")).to_contain_text("Needs a look")
    batch.refresh_from_db()
    assert batch.caged_on is not None
    assert batch.caged_on.isoformat() == days["one"]
    two.row("Cells are caged").get_by_role("link", name="See both versions").click()
    expect(two.page.locator("main")).to_contain_text("Fri 29 May")
    two.page.get_by_role("button", name="Take mine").click()
    expect(two.page.locator("h1")).to_contain_text("Everything you wrote down is on record")
    batch.refresh_from_db()
    assert batch.caged_on.isoformat() == days["two"]
    assert list(HiveEntry.objects.values_list("state", flat=True)) == [EntryState.TAKEN] * 2


def test_a_round_of_score_sheets_without_a_signal_by_keyboard_with_a_draft(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    first, second = (ColonyFactory(apiary=hives.apiary, name=name) for name in ("H1", "H2"))
    for colony in (first, second):
        HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=hives.member)
    for position, key in enumerate(("gentleness", "pin_test", "honey_yield")):
        TraitFactory(cooperative=hives.cooperative, key=key, position=position)
    one = phone()
    one.see_once("/stock/score-sheet/")
    relay.cut()
    one.go(f"/stock/colonies/{first.pk}/scores/")
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    assert one.page.locator("#sheet [name=colony]").input_value() == str(first.pk)
    one.press("PageDown")
    expect(one.page.locator("[data-step=gentleness] h2")).to_contain_text("H1")
    expect(one.page.locator("[data-step=gentleness]")).to_contain_text("A little smoke is enough")
    one.press("3")
    one.press("PageDown")
    one.page.locator("[name=pin_test-part]").fill("47")
    one.page.locator("[data-step=pin_test] step-input button[data-by='1']").first.click()
    one.go(f"/stock/colonies/{first.pk}/scores/")
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    expect(one.page.locator("#toasts")).to_contain_text("Your draft is here again")
    expect(one.page.locator("[name=pin_test-part]")).to_have_value("48")
    one.press("PageDown")
    one.page.locator("[name=honey_yield-value]").fill("many")
    one.page.locator("[name=honey_yield-value]").press("Enter")
    expect(one.page.locator("[data-part=wrong]")).to_contain_text("Enter a number")
    one.page.locator("[name=honey_yield-value]").fill("12,5")
    one.page.locator("[name=honey_yield-value]").press("Enter")
    expect(one.page.locator("[data-part=review]")).to_contain_text("48 / 50")
    one.page.get_by_role("button", name="Keep the scores").click()
    one.waits(3)
    expect(one.page.locator("#sheet [name=colony]")).to_have_value(str(second.pk))
    one.press("PageDown")
    one.press("2")
    one.page.get_by_role("button", name="Look over").click()
    one.page.get_by_role("button", name="Keep the scores").click()
    one.waits(4)
    one.page.locator("#toasts [data-toast]").last.get_by_role("button", name="Undo").click()
    one.waits(5)
    assert Score.objects.count() == 0
    relay.mend()
    one.send_now()
    one.sees_sent()
    kept = Score.objects.filter(withdrawn_at=None).order_by("trait__position")
    assert list(kept.values_list("colony", "value", "part")) == [
        (first.pk, 3, None),
        (first.pk, 96, 48),
        (first.pk, Decimal("12.5"), None),
    ]
    assert Score.objects.exclude(withdrawn_at=None).get().colony == second
    assert_log_has(one.stored())
    assert one.said == []


def test_a_colony_of_another_page_of_the_list_is_scored_without_a_signal(
    hives: World, relay: Relay, phone: TakeOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("breeding.views.scores.COLONIES_ON_A_SHEET", 1)
    first, second, third = (ColonyFactory(apiary=hives.apiary, name=name) for name in ("H1", "H2", "H3"))
    for colony in (first, second, third):
        HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=hives.member)
    TraitFactory(cooperative=hives.cooperative, key="gentleness", position=0)
    one = phone()
    one.see_once("/stock/score-sheet/?q=H2")
    one.see_once("/stock/score-sheet/")
    relay.cut()
    one.go(f"/stock/colonies/{second.pk}/scores/")
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    expect(one.page.locator("#sheet [name=colony]")).to_have_value(str(second.pk))
    one.press("PageDown")
    one.press("3")
    one.go("/stock/score-sheet/")  # H1 alone can be chosen here: the draft brings its colony along
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    expect(one.page.locator("#sheet [name=colony]")).to_have_value(str(second.pk))
    one.page.get_by_role("button", name="Look over", exact=True).click()
    one.page.get_by_role("button", name="Keep the scores").click()
    one.waits(1)
    # On no sheet that was seen: no other colony stands in for it.
    one.page.goto(f"{relay.url}/stock/colonies/{third.pk}/scores/")
    expect(one.page.locator("h1")).to_contain_text("this page was never opened on this device")
    expect(one.page.locator("#sheet")).to_have_count(0)
    relay.mend()
    one.go("/reminders/")
    one.has_sent(1)
    assert Score.objects.get().colony == second
    assert_log_has(one.stored())
