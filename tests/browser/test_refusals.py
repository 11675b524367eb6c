"""What is refused, seen in the browser: in our words, beside the field, with what was typed kept."""

import datetime as dt

import pytest

from breeding.models import Colony, Queen
from scheduling.models import Booking, DroneSource, Plan, QueenBatch, SemenLot
from scheduling.services.batches import batch_emerged
from scheduling.services.sources import source_hold
from tests.browser import at_the_bench
from tests.browser.conftest import Open, day
from tests.browser.world import JourneyWorld, asked, batch_grafted, day_opened, source_offered
from tests.factories import BenchPlaceFactory, BookingFactory, PlanFactory

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

MIREL, JONTE = "member1@example.org", "member2@example.org"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("scheduling:session_add", "Bench days are opened and changed by the coordinator"),
        ("scheduling:bench", "bench operators and the coordinator"),
        ("accounts:member_add", "coordinator"),
    ],
)
def test_wrong_role_is_told_so_in_our_words(world: JourneyWorld, seat: Open, name: str, said: str) -> None:
    mirel = seat(MIREL)
    assert mirel.goto(name) == 403
    mirel.sees_heading("This is not yours to open")
    mirel.sees(said)


def test_colony_of_another_member_is_shown_but_not_changed(world: JourneyWorld, seat: Open) -> None:
    colony = Colony.objects.filter(apiary__member=world.members[1], headings__until=None).first()
    assert colony is not None
    mirel = seat(MIREL)
    assert mirel.goto("breeding:colony", colony.pk) == 200
    assert mirel.main.get_by_role("link", name="Enter scores").count() == 0
    assert mirel.goto("breeding:scores", colony.pk) == 403


def test_typed_values_stay_after_an_error(world: JourneyWorld, seat: Open) -> None:
    mirel = seat(MIREL)
    mirel.goto("breeding:queen_add")
    mirel.fill(label="Alder 9", mother="Nobody-1", birth_year=2025, note="Bought in spring")
    mirel.press("Register her")
    mirel.sees("There is no queen Nobody-1")
    kept = {name: mirel.page.locator(f"[name={name}]").input_value() for name in ("label", "mother", "note")}
    assert kept == {"label": "Alder 9", "mother": "Nobody-1", "note": "Bought in spring"}
    assert not Queen.objects.filter(label="Alder 9").exists()


def season(world: JourneyWorld) -> tuple[QueenBatch, DroneSource]:
    """A batch of Alder Row, and drones that suit it."""
    drones_of = world.mated_queens(world.members[1])[0]
    mother = next(
        queen for member in world.members for queen in world.mated_queens(member) if queen.line_id != drones_of.line_id
    )
    source = source_offered(world, 1, name="Ling", drone_queen=drones_of, comb_in_on=day(-23), capped=900)
    return batch_grafted(world, 0, name="Rowan", mother=mother, on=day(0), cells=12), source


def test_day_on_which_the_queens_are_too_young_cannot_be_chosen(world: JourneyWorld, seat: Open) -> None:
    batch, source = season(world)
    young, fit = day_opened(world, day(14), places=6), day_opened(world, day(20), places=6)
    mirel = seat(MIREL)
    mirel.goto("scheduling:book_day", query=f"?batch={batch.pk}&queens=4&source={source.pk}&mode=each&dose=8")
    assert mirel.page.locator(f"input[name=session][value='{young.pk}']").is_disabled()
    assert mirel.page.locator(f"input[name=session][value='{fit.pk}']").is_enabled()
    mirel.sees("Too early: Rowan may be inseminated from Thu 21 May on.")


def test_source_on_hold_and_source_too_near_akin_cannot_be_ticked(world: JourneyWorld, seat: Open) -> None:
    batch, held = season(world)
    daughter = Queen.objects.filter(mother=batch.mother, status="mated").first() or batch.mother
    world_place = world.members.index(daughter.owner)
    kin = source_offered(world, world_place, name="Moss", drone_queen=daughter, comb_in_on=day(-23), capped=900)
    source_hold(held, reason="Suspect brood", by=world.offices["coordinator"], now=world.clock.now)
    mirel = seat(MIREL)
    mirel.goto("scheduling:book_drones", query=f"?batch={batch.pk}&queens=4")
    for source, said in ((held, "hold"), (kin, "inbreeding of the workers, over this season")):
        card = mirel.page.locator("label.choice", has=mirel.page.locator(f"input[value='{source.pk}']"))
        assert card.locator("input").is_disabled()
        assert said in card.inner_text()
    assert mirel.page.get_by_role("button", name="Choose a day").is_disabled()


def test_full_session_puts_the_request_into_the_queue_with_its_reason(world: JourneyWorld, seat: Open) -> None:
    batch, source = season(world)
    session = day_opened(world, day(20), places=3)
    other = batch_grafted(world, 2, name="Sallow", mother=batch.mother, on=day(0), cells=12)
    asked(world, other, queens=3, sources=[source], session=session)
    mirel = seat(MIREL)
    mirel.goto("scheduling:book_day", query=f"?batch={batch.pk}&queens=4&source={source.pk}&mode=each&dose=8")
    mirel.fill(session=session.pk, queens=4)
    mirel.press("Ask for")
    mirel.page.wait_for_url("**/bookings/*/")
    mirel.sees("is full")
    assert Booking.objects.get(batch=batch).state == "queued"


def test_lot_older_than_its_limit_is_not_given(world: JourneyWorld, seat: Open) -> None:
    batch, source = season(world)
    early, late = day_opened(world, day(0), places=6), day_opened(world, day(20), places=6)
    operator = world.offices["operator"]
    lot = SemenLot.objects.create(
        session=early,
        source=source,
        label="0405-A1",
        tip="T1",
        opened_at=world.clock.now - dt.timedelta(days=70),
        state="stored",
    )
    lot.movements.create(kind="collected", volume_tenths=200, at=world.clock.now, by=operator)
    world.clock.to(12)
    batch_emerged(batch, emerged_on=day(12), virgins=2, by=world.keepers[0], now=world.clock.now)
    booking = BookingFactory(batch=batch, queens=2)
    for position, queen in enumerate(batch.batch_queens.order_by("number"), start=1):
        plan = Plan.objects.filter(season=world.season).first() or PlanFactory(season=world.season)
        BenchPlaceFactory(
            session=late,
            position=position,
            plan=plan,
            booking=booking,
            batch_queen=queen,
            source=source,
        )
    world.clock.to(20)
    lene = seat("operator@example.org")
    at_the_bench.start(lene, late)
    form = lene.page.locator("form[action$='/dose/']")
    # The tablet knows a lot by the entry that opened it.
    form.locator("select[name=lot]").select_option(str(lot.entry))
    at_the_bench.inseminate(lene, volume="7,5")
    lene.sees("is 90 days old; above", "days it needs a viability result first")
    assert form.locator("input[name=volume]").input_value() == "7,5"
    assert not lot.doses.exists()
