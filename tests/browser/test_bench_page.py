"""The bench page at work without a network: its rules, its questions, scanned labels."""

import pytest
from playwright.sync_api import expect

from scheduling.models import BenchEntry, Dose, EntryState, TipChange
from tests.browser.conftest import Switch
from tests.browser.relay import Relay
from tests.browser.tablet import assert_server_has
from tests.scheduling.test_bench import Bench

NEXT_DOSE_MS = 900  # a second dose sooner is taken for a bouncing pedal

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


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


def test_a_new_tip_and_more_for_the_same_queen_without_a_network(bench: Bench, relay: Relay, tablet: Switch) -> None:
    one = tablet()
    relay.cut()
    one.open_lot("T1")
    one.press("Space", 2)
    one.read("20")
    more = one.page.locator("#dose-form [name=more]")
    expect(more).to_be_hidden()
    one.page.locator("#dose-form [name=second_planned]").check()
    one.page.locator("#dose-form [name=volume]").fill("4")
    one.page.locator("h1").click()
    one.press("Enter")
    first = one.page.locator(".order-list > li").first
    expect(first).to_contain_text("4 µl")
    one.page.locator("form[data-kind=tip]").locator("xpath=..").locator("summary").click()
    one.page.fill("form[data-kind=tip] [name=tip]", "T1 cleaned")
    one.page.locator("form[data-kind=tip] button").click()
    first.locator("a").click()
    expect(more).to_be_visible()
    one.page.wait_for_timeout(NEXT_DOSE_MS)
    more.check()
    one.page.locator("#dose-form [name=volume]").fill("3")
    one.page.locator("h1").click()
    one.press("Enter")
    expect(first).to_contain_text("7 µl")
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert list(Dose.objects.values_list("volume_tenths", "second_planned")) == [(40, True), (30, False)]
    assert TipChange.objects.get().tip == "T1 cleaned"
    assert_server_has(bench.session, one.stored())
