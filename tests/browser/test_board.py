"""The plan board from the keyboard alone: pick up, look at the days, put back, put down, take back."""

import pytest
from playwright.sync_api import expect

from accounts.services.jobs import job_run
from scheduling.models import Placement, Plan
from scheduling.services.plan_ask import plan_ask
from tests.browser.conftest import Open, day
from tests.browser.world import JourneyWorld, asked, batch_grafted, day_opened, source_offered

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def sketch_of(world: JourneyWorld) -> Plan:
    """One request, two bench days on which it fits."""
    queen = world.mated_queens(world.members[0])[0]
    source = source_offered(world, 0, name="Ling", drone_queen=queen, comb_in_on=day(-23), capped=700)
    unrelated = next(one for one in world.mated_queens(world.members[0]) if one.line_id != queen.line_id)
    batch = batch_grafted(world, 0, name="Rowan", mother=unrelated, on=day(0), cells=12)
    session = day_opened(world, day(20), places=6)
    day_opened(world, day(21), places=6)
    asked(world, batch, queens=4, sources=[source], session=session)
    plan = plan_ask(world.season, by=world.offices["coordinator"], now=world.clock.now, seconds=2)
    assert plan.job is not None
    assert job_run(plan.job.pk, now=world.clock.now)
    return Plan.objects.get(pk=plan.pk)


def test_a_card_is_moved_by_keyboard_alone(world: JourneyWorld, seat: Open) -> None:
    plan = sketch_of(world)
    first = Placement.objects.get(plan=plan).session_id
    one = seat("coordinator@example.org")
    one.goto("scheduling:plan", plan.pk)
    page, pick, drops = one.page, one.page.locator("[data-pick]"), one.page.locator("[data-drop]")
    pick.focus()
    page.keyboard.press("m")
    fits = page.locator("[data-drop].fits").first
    expect(fits).to_be_focused()
    expect(fits).to_contain_text("Rowan fits here")
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


def test_a_card_is_dragged_to_a_day_on_which_it_fits(world: JourneyWorld, seat: Open) -> None:
    plan = sketch_of(world)
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
