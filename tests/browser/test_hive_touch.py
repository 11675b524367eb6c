"""Gloves, sun, one hand: whatever is touched at the hives is 56 px or more, and all of it is within the screen."""

import datetime as dt

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import TakeOut
from tests.browser.phone import reminder_of
from tests.browser.relay import Relay
from tests.factories import (
    ColonyFactory,
    DroneCohortFactory,
    HeadingFactory,
    MemberPersonFactory,
    PersonFactory,
    TraitFactory,
)
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import World

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TARGET_PX = 56
#: Everything that takes a finger inside `within`, with its size; a box to tick is touched by its whole line.
TOUCHED = """within => [...document.querySelectorAll(within)].flatMap((box) =>
  [...box.querySelectorAll("button, a, select, .input, label.check, .options label, .choice, summary")])
  .filter((one) => one.checkVisibility() && !one.closest(".hidden-text"))
  .map((one) => [one.innerText?.trim().slice(0, 30) || one.name || one.className, one.getBoundingClientRect()])
  .map(([name, box]) => [name, Math.round(box.width * 10) / 10, Math.round(box.height * 10) / 10, box.right])
"""


def assert_big(page: Page, within: str, *, at_least: int) -> None:
    found = page.evaluate(TOUCHED, within)
    assert len(found) >= at_least, found
    small = [one for one in found if min(one[1], one[2]) < TARGET_PX or one[3] > 390]
    assert small == []


def test_every_screen_of_the_score_sheet_is_for_gloves(hives: World, phone: TakeOut) -> None:
    colonies = [ColonyFactory(apiary=hives.apiary, name=name) for name in ("H1", "H2")]
    for colony in colonies:
        HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=hives.member)
    for position, key in enumerate(("gentleness", "pin_test", "honey_yield")):
        TraitFactory(cooperative=hives.cooperative, key=key, position=position)
    one = phone()
    one.go("/stock/score-sheet/")
    one.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    for least, answer in ((3, ""), (8, "gentleness-value"), (6, "pin_test-part"), (4, "honey_yield-value")):
        if answer == "gentleness-value":
            one.press("3")
        elif answer:
            one.page.locator(f"[name={answer}]").fill("12")
        assert_big(one.page, "#sheet", at_least=least)
        one.page.locator("[data-go]").click()
    expect(one.page.locator("[data-part=review]")).to_be_visible()
    assert_big(one.page, "#sheet", at_least=5)


def test_what_is_confirmed_counted_and_settled_at_the_hives_is_for_gloves(
    hives: World, relay: Relay, phone: TakeOut
) -> None:
    for name in ("Ling", "Fell"):
        reminder_of(hives, f"Look at {name}")
    batch = hives.batch(virgins=2)
    queen = batch.batch_queens.first()
    assert queen is not None
    cohort = DroneCohortFactory(source__season=hives.season, source__member=hives.member)
    one = phone()
    one.go(f"/batches/{batch.pk}/")
    assert_big(one.page, "#confirm .hive", at_least=4)
    one.row("First CO2").get_by_role("button", name="Gas on").click()
    expect(one.row("First CO2").locator("[data-gas=off]")).to_be_visible()
    assert_big(one.page, "#confirm .hive", at_least=5)
    for path in (f"/batches/{batch.pk}/first-co2/", f"/queens/{queen.pk}/check/", f"/cohorts/{cohort.pk}/count/"):
        one.go(path)
        assert_big(one.page, "main form[data-entry]", at_least=5)
    one.go(f"/cohorts/{cohort.pk}/")
    assert_big(one.page, "main .actions.hive", at_least=1)
    one.see_once("/reminders/")
    assert_big(one.page, "main .actions.hive", at_least=2)
    relay.cut()
    one.go("/reminders/")
    assert_big(one.page, ".dues .actions", at_least=4)
    one.row("Look at Ling").get_by_role("button", name="Done").click()
    expect(one.row("Look at Ling")).to_contain_text("Take back")
    assert_big(one.page, ".dues .actions", at_least=3)
    one.row("Look at Fell").get_by_role("link", name="Put off").click()
    assert_big(one.page, "#put-off", at_least=5)


def test_the_nucs_of_inseminated_queens_are_a_tap_away(bench: Bench, hives: World, phone: TakeOut) -> None:
    lot = bench.lot()
    bench.dose(0, lot)
    owner = PersonFactory()
    MemberPersonFactory(member=bench.batch.member, person=owner)
    one = phone(person=owner)
    one.go(f"/batches/{bench.batch.pk}/")
    assert_big(one.page, "#confirm .hive", at_least=1)
    one.page.get_by_role("link", name="What was found?").first.click()
    expect(one.page.locator("h1")).to_contain_text("What did you find at")
