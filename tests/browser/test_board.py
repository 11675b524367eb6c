"""The plan board from the keyboard alone: pick up, look at the days, put back, put down, take back."""

import pytest
from playwright.sync_api import expect

from accounts.services.jobs import job_run
from scheduling.models import BenchSession, BookingMode, Placement, Plan
from scheduling.services.plan_ask import plan_ask
from tests.browser.conftest import Open, day
from tests.browser.world import JourneyWorld, asked, batch_grafted, day_opened, source_offered

WHOSE: dict[str, str] = {BookingMode.EACH: "Ling", BookingMode.POOL: "Fell, Ling, mixed"}
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def sketch_of(world: JourneyWorld, mode: str = BookingMode.EACH) -> Plan:
    """One request, two bench days on which it fits."""
    queens = world.mated_queens(world.members[0])
    queen = queens[0]
    unrelated = next(one for one in queens if one.line_id != queen.line_id)
    others = [one for member in world.members for one in world.mated_queens(member) if one != queen]
    given = [("Ling", queen)]
    if mode == BookingMode.POOL:
        given.append(("Fell", next(one for one in others if one.line_id not in {None, unrelated.line_id})))
    sources = [
        source_offered(world, 0, name=name, drone_queen=drone_queen, comb_in_on=day(-23), capped=700)
        for name, drone_queen in given
    ]
    batch = batch_grafted(world, 0, name="Rowan", mother=unrelated, on=day(0), cells=12)
    session = day_opened(world, day(20), places=6)
    day_opened(world, day(21), places=6)
    asked(world, batch, queens=4, sources=sources, session=session, mode=mode)
    plan = plan_ask(world.season, by=world.offices["coordinator"], now=world.clock.now, seconds=2)
    assert plan.job is not None
    assert job_run(plan.job.pk, now=world.clock.now)
    return Plan.objects.get(pk=plan.pk)


MODES = pytest.mark.parametrize("mode", [BookingMode.EACH, BookingMode.POOL])


@MODES
def test_a_card_is_moved_by_keyboard_alone(world: JourneyWorld, seat: Open, mode: str) -> None:
    plan = sketch_of(world, mode)
    first = Placement.objects.get(plan=plan).session_id
    one = seat("coordinator@example.org")
    one.goto("scheduling:plan", plan.pk)
    page, pick, drops = one.page, one.page.locator("[data-pick]"), one.page.locator("[data-drop]")
    expect(page.locator(".board-day:not(.drawn)")).to_have_count(0)  # no key waits for a day off the screen
    pick.focus()
    page.keyboard.press("m")
    fits = page.locator("[data-drop].fits").first
    expect(fits).to_be_focused()
    expect(fits).to_contain_text(f"Rowan fits here · {WHOSE[mode]}")
    expect(drops).to_have_count(3)  # both days, the one where it stands disabled, and “Take out”
    page.keyboard.press("Escape")
    expect(drops).to_have_count(0)
    expect(pick).to_be_focused()
    page.keyboard.press("m")
    expect(fits).to_be_focused()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    expect(fits).to_be_focused()
    page.keyboard.press("Enter")
    undo = page.get_by_role("button", name="Undo")
    expect(undo).to_be_visible()
    expect(pick).to_be_focused()
    assert Placement.objects.get(plan=plan).session_id != first
    undo.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#toasts")).to_contain_text("taken back")
    assert Placement.objects.get(plan=plan).session_id == first
    assert one.said == []


@MODES
def test_a_card_is_dragged_to_a_day_on_which_it_fits(world: JourneyWorld, seat: Open, mode: str) -> None:
    plan = sketch_of(world, mode)
    first = Placement.objects.get(plan=plan).session_id
    one = seat("coordinator@example.org")
    one.goto("scheduling:plan", plan.pk)
    card = one.page.locator("[data-fits]")
    target = one.page.locator(f"[data-session]:not([data-session='']):not([data-session='{first}'])")
    start, end = card.bounding_box(), target.bounding_box()
    assert start is not None
    assert end is not None
    one.page.mouse.move(start["x"] + 20, start["y"] + 60)
    one.page.mouse.down()
    one.page.mouse.move(start["x"] + 60, start["y"] + 70, steps=4)
    expect(target.locator("[data-drop].fits")).to_be_visible()
    one.page.mouse.move(end["x"] + 60, end["y"] + 120, steps=6)
    one.page.mouse.up()
    expect(one.page.get_by_role("button", name="Undo")).to_be_visible()
    assert Placement.objects.get(plan=plan).session_id != first


@MODES
def test_a_card_is_moved_by_the_form_in_its_menu(world: JourneyWorld, seat: Open, mode: str) -> None:
    plan = sketch_of(world, mode)
    before = Placement.objects.get(plan=plan)
    other = BenchSession.objects.exclude(pk=before.session_id).get(season=world.season)
    one = seat("coordinator@example.org")
    one.goto("scheduling:plan", plan.pk)
    page = one.page
    page.get_by_text("Move…").click()
    page.get_by_role("link", name="Move to…").click()
    expect(page.get_by_label("With drones of")).to_have_count(0 if mode == BookingMode.POOL else 1)
    page.get_by_label("To which session").select_option(str(other.pk))
    page.get_by_label("How many queens").fill("3")
    page.get_by_role("button", name="Move", exact=True).click()
    expect(page.get_by_role("button", name="Undo")).to_be_visible()
    found = Placement.objects.filter(plan=plan).order_by("queens").values_list("session", "queens")
    assert list(found) == [(before.session_id, 1), (other.pk, 3)]
    assert one.said == []
