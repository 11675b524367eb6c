"""The bench page at work without a network: its rules, its questions, scanned labels."""

import re

import pytest
from playwright.sync_api import expect

from scheduling.models import BenchEntry, BenchPlace, Dose, EntryState, SemenLot, TipChange
from scheduling.queries.lots import lot_view
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
    for place, fate in enumerate(("dose", "dose", "move", "move")):
        expect(rows.nth(place)).to_have_attribute("data-fate", fate)
    expect(rows.nth(2)).to_contain_text("0 %: back into the queue")
    field.fill("200")
    for place in range(4):
        expect(rows.nth(place)).to_have_attribute("data-fate", "dose")
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


def test_lots_are_mixed_and_dosed_from_without_a_network(bench: Bench, relay: Relay, tablet: Switch) -> None:
    BenchPlace.objects.filter(session=bench.session).update(source=None)
    one = tablet()
    relay.cut()
    for source, tip in ((bench.source, "T1"), (bench.other, "T2")):
        one.page.locator("[data-part=open-lot]").evaluate("one => { one.open = true }")
        one.page.select_option("form[data-kind=lot_open] [name=source]", str(source.pk))
        one.open_lot(tip)
        one.press("Space", 3)
        one.read("20")
    dialog, say = one.page.locator("#mix-dialog"), one.page.locator("#mix-dialog .bench-say")
    one.page.get_by_role("link", name="Mix lots…").click()
    fields = dialog.locator("[data-lot]")
    expect(fields).to_have_count(2)
    assert [field.input_value() for field in fields.all()] == ["20", "20"]
    fields.first.fill("12,5")
    fields.last.fill("0")
    dialog.get_by_label("New tip of the mixture").fill("t2")
    dialog.get_by_role("button", name="Mix them").click()
    expect(say).to_contain_text("at least two lots")
    fields.last.fill("8")
    dialog.get_by_role("button", name="Mix them").click()
    expect(say).to_contain_text("has touched semen of")
    expect(fields.first).to_have_value("12,5")
    dialog.get_by_label("New tip of the mixture").fill("M1")
    dialog.get_by_label("New tip of the mixture").press("Enter")
    expect(dialog).to_be_hidden()
    label = one.page.locator("[data-part=lot-label]").first
    expect(label).to_contain_text("-M3")
    expect(one.page.locator("form[data-kind=reading] [name=volume]")).to_have_value("20.5")
    expect(one.page.locator(".tap.semen")).to_be_hidden()
    one.press("Space")  # the pedal all the same
    expect(one.page.locator("[data-part=say]")).to_contain_text("is a mixture")
    expect(one.page.locator("#dose-form [name=lot] option:checked")).to_have_text(re.compile("-M3 · 20.5 µl · "))
    one.press("Enter")
    expect(one.page.locator(".order-list > li").first).to_contain_text("8 µl")
    one.open(bench.session.pk)  # a reload without a network: all of it is still there
    expect(label).to_contain_text("-M3")
    expect(one.page.locator("form[data-kind=reading] [name=volume]")).to_have_value("12.5")
    assert BenchEntry.objects.count() == 0
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert set(BenchEntry.objects.values_list("state", flat=True)) == {EntryState.TAKEN}
    assert_server_has(bench.session, one.stored())
    mixture = SemenLot.objects.get(source=None)
    shown = label.text_content()
    assert (mixture.label, Dose.objects.get().lot) == (shown, mixture)
    assert mixture.semen_batch is not None
    assert sorted(mixture.semen_batch.shares.values_list("volume_tenths", flat=True)) == [80, 125]


def test_a_mixture_is_taken_back_with_undo_until_some_of_it_is_given(
    bench: Bench, relay: Relay, tablet: Switch
) -> None:
    one = tablet()
    lots = [bench.lot(tenths=100), bench.lot(source=bench.other, tip="T2", tenths=100)]
    one.open(bench.session.pk)
    expect(one.page.locator("[data-part=lot-label]").first).to_have_text(str(lots[1]))
    relay.cut()
    one.page.get_by_role("link", name="Mix lots…").click()
    dialog = one.page.locator("#mix-dialog")
    dialog.get_by_label("New tip of the mixture").fill("M1")
    dialog.get_by_role("button", name="Mix them").click()
    expect(one.page.locator("form[data-kind=reading] [name=volume]")).to_have_value("20")
    one.press("KeyU")
    expect(one.page.locator("form[data-kind=reading] [name=volume]")).to_have_value("10")
    relay.mend()
    one.send_now()
    one.sees_sent()
    assert [lot_view(lot).left for lot in lots] == [100, 100]
    taken_back = SemenLot.objects.get(source=None)
    assert (taken_back.state, taken_back.semen_batch) == ("discarded", None)
