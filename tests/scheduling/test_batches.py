"""Queen batches: only observations are stored, every date is timing's, corrections keep the earlier value."""

import datetime as dt
from decimal import Decimal

import pytest

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Queen
from scheduling.models import BatchQueen, BenchPlace, Booking, Plan, QueenBatch
from scheduling.planning.facts import settings_from
from scheduling.planning.timing import batch_calendar
from scheduling.queries.batches import backwards_from, batch_view, batches_with_facts, queens_left
from scheduling.queries.bookings import misfits_of
from scheduling.queries.events import events_of_batch
from scheduling.services.batch_queens import (
    batch_queen_back,
    batch_queen_lost,
    batch_queen_nuc,
    batch_queen_set_aside,
)
from scheduling.services.batches import (
    batch_add,
    batch_caged,
    batch_close,
    batch_edit,
    batch_emerged,
    batch_excluder,
    batch_graft,
    batch_reopen,
    batch_replan,
    batch_sealed,
    batch_started,
    batch_withdraw_step,
)
from tests.factories import ApiaryFactory, BookingFactory, QueenFactory
from tests.scheduling.world import NOW, TODAY, World

DAY = dt.date


def fresh(batch: QueenBatch) -> QueenBatch:
    return batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))[0]


def test_a_batch_planned_for_9_june_is_grafted_on_20_may(world: World) -> None:
    batch = batch_add(
        world.season,
        member=world.member,
        mother=world.mother(),
        name=" Rowan  1 ",
        wanted_bench_on=DAY(2026, 6, 9),
        by=world.owner,
        now=NOW,
    )
    batch.refresh_from_db()
    assert (batch.name, batch.planned_graft_on, batch.grafted_on) == ("Rowan 1", DAY(2026, 5, 20), None)
    entry = AuditEntry.objects.get(subject_type="scheduling.queenbatch", subject_id=batch.pk)
    assert (entry.action, entry.by, entry.after["planned_graft_on"]) == ("batch.plan", world.owner, "2026-05-20")


def test_steps_that_are_late_are_said_before_anything_is_saved(world: World) -> None:
    backwards = backwards_from(DAY(2026, 6, 28), season=world.season)
    late = {step.key for step in backwards.late(TODAY)}
    assert "graft" not in late
    assert late, "the drone comb of a bench day in three weeks should have gone in long ago"
    assert all(step.latest < TODAY for step in backwards.late(TODAY))
    assert QueenBatch.objects.count() == 0


def test_a_batch_needs_a_bench_day_or_a_graft(world: World) -> None:
    with pytest.raises(Refusal) as refused:
        batch_add(world.season, member=world.member, mother=world.mother(), name="Rowan", by=world.owner, now=NOW)
    assert refused.value.field == "wanted_bench_on"


def test_a_virgin_is_no_mother(world: World) -> None:
    with pytest.raises(Refusal) as refused:
        batch_add(
            world.season,
            member=world.member,
            mother=QueenFactory(owner=world.member),
            name="Rowan",
            grafted_on=DAY(2026, 5, 20),
            by=world.owner,
            now=NOW,
        )
    assert refused.value.rule == "mother_not_mated"


def test_a_name_is_used_once_a_season_whatever_its_case(world: World) -> None:
    world.batch(name="Rowan 1")
    with pytest.raises(Refusal) as refused:
        batch_add(
            world.season,
            member=world.member,
            mother=world.mother(),
            name="rowan 1",
            wanted_bench_on=DAY(2026, 7, 9),
            by=world.owner,
            now=NOW,
        )
    assert (refused.value.field, refused.value.rule) == ("name", "batch_name_unique")
    assert QueenBatch.objects.count() == 1


def test_the_calendar_of_a_batch_is_that_of_timing(world: World) -> None:
    batch = fresh(world.batch())
    view = batch_view(batch, today=TODAY)
    assert view.calendar == batch_calendar(events_of_batch(batch), settings_from({}))
    window = view.calendar.window
    assert (window.opens_on, window.best_on, window.last_on, window.blocked_from) == (
        DAY(2026, 6, 6),
        DAY(2026, 6, 9),
        DAY(2026, 6, 13),
        DAY(2026, 6, 16),
    )


@pytest.mark.parametrize(
    ("day", "rule"),
    [
        (DAY(2026, 6, 9), "observed_not_future"),
        (DAY(2025, 12, 24), "inside_season"),
        (DAY(2026, 5, 19), "dates_in_order"),
    ],
)
def test_a_day_that_cannot_be_is_refused_and_nothing_is_written(world: World, day: dt.date, rule: str) -> None:
    batch = world.batch()
    with pytest.raises(Refusal) as refused:
        batch_sealed(batch, sealed_on=day, by=world.owner, now=NOW)
    assert (refused.value.rule, refused.value.field) == (rule, "sealed_on")
    batch.refresh_from_db()
    assert (batch.sealed_on, batch.version) == (None, 1)
    assert not AuditEntry.objects.exists()


def test_more_cells_started_than_grafted_are_refused(world: World) -> None:
    batch = world.batch(cells_grafted=20)
    with pytest.raises(Refusal) as refused:
        batch_started(batch, counted_on=DAY(2026, 5, 21), cells=21, by=world.owner, now=NOW)
    assert (refused.value.field, refused.value.rule) == ("cells_started", "counts_in_order")


def test_a_correction_keeps_the_earlier_value(world: World) -> None:
    batch = world.batch(cells_grafted=20)
    batch_started(batch, counted_on=DAY(2026, 5, 21), cells=12, by=world.owner, now=NOW)
    batch_started(batch, counted_on=DAY(2026, 5, 21), cells=14, by=world.owner, now=NOW)
    corrected, recorded = AuditEntry.objects.filter(subject_type="scheduling.queenbatch")
    assert (recorded.action, recorded.before["cells_started"]) == ("batch.started", None)
    assert (corrected.action, corrected.before["cells_started"], corrected.after["cells_started"]) == (
        "batch.started.correct",
        12,
        14,
    )


def test_saying_the_same_again_changes_nothing(world: World) -> None:
    batch = world.batch()
    batch_excluder(batch, excluder_on=DAY(2026, 6, 1), by=world.owner, now=NOW)
    again = batch_excluder(batch, excluder_on=DAY(2026, 6, 1), by=world.owner, now=NOW)
    assert again.version == 2
    assert AuditEntry.objects.count() == 1


def test_an_edit_of_something_that_changed_meanwhile_is_refused(world: World) -> None:
    batch = world.batch()
    batch_excluder(batch, excluder_on=DAY(2026, 6, 1), version=1, by=world.owner, now=NOW)
    with pytest.raises(Refusal) as refused:
        batch_caged(batch, caged_on=DAY(2026, 5, 30), version=1, by=world.owner, now=NOW)
    assert refused.value.rule == "stale"
    batch.refresh_from_db()
    assert (batch.caged_on, batch.version) == (None, 2)


def test_a_cold_run_moves_the_emergence_and_leaves_the_place(world: World) -> None:
    """The cold run of the reference: 32 °C instead of 34.5 °C, a day and three hours later."""
    batch = world.batch(cells_grafted=20, grafted_hour=10)
    before = batch_view(fresh(batch), today=TODAY).calendar.emergence_on
    batch_sealed(batch, sealed_on=DAY(2026, 5, 25), temperature_c=Decimal("32"), by=world.owner, now=NOW)
    after = batch_view(fresh(batch), today=TODAY).calendar
    assert (before, after.emergence_on) == (DAY(2026, 6, 1), DAY(2026, 6, 2))
    assert after.window.last_on == DAY(2026, 6, 14)


def test_each_virgin_becomes_a_queen_with_a_label_of_her_own(world: World) -> None:
    batch = world.batch(name="Rowan 1", cells_grafted=20)
    batch_emerged(batch, emerged_on=DAY(2026, 6, 1), virgins=3, by=world.owner, now=NOW)
    queens = Queen.objects.filter(batch_queen__batch=batch).order_by("batch_queen__number")
    assert [(queen.label, queen.mother, queen.owner, queen.emerged_on, queen.birth_year) for queen in queens] == [
        (f"Rowan 1-{number}", batch.mother, world.member, DAY(2026, 6, 1), 2026) for number in (1, 2, 3)
    ]


def test_a_batch_name_of_an_earlier_year_gives_labels_with_the_year(world: World) -> None:
    QueenFactory(owner=world.member, label="rowan 1-2")
    batch = world.batch(name="Rowan 1")
    batch_emerged(batch, emerged_on=DAY(2026, 6, 1), virgins=2, by=world.owner, now=NOW)
    labels = list(Queen.objects.filter(batch_queen__batch=batch).order_by("label").values_list("label", flat=True))
    assert labels == ["Rowan 1-1 2026", "Rowan 1-2 2026"]


def test_a_corrected_count_adds_and_takes_back_queens(world: World) -> None:
    batch = world.batch(name="Rowan 1")
    batch_emerged(batch, emerged_on=DAY(2026, 6, 1), virgins=2, by=world.owner, now=NOW)
    batch_emerged(batch, emerged_on=DAY(2026, 6, 2), virgins=4, by=world.owner, now=NOW)
    assert set(batch.batch_queens.values_list("queen__emerged_on", flat=True)) == {DAY(2026, 6, 2)}
    batch_emerged(batch, emerged_on=DAY(2026, 6, 2), virgins=1, by=world.owner, now=NOW)
    assert list(Queen.objects.filter(mother=batch.mother).values_list("label", flat=True)) == ["Rowan 1-1"]


def test_a_queen_with_a_record_of_her_own_is_not_taken_back(world: World) -> None:
    batch = world.batch(virgins=2, name="Rowan 1")
    batch_queen_set_aside(batch.batch_queens.get(number=2), reason="a wing is torn", by=world.owner, now=NOW)
    with pytest.raises(Refusal) as refused:
        batch_emerged(batch, emerged_on=DAY(2026, 6, 1), virgins=1, by=world.owner, now=NOW)
    assert refused.value.rule == "queens_have_records"
    batch.refresh_from_db()
    assert (batch.virgins_emerged, batch.batch_queens.count()) == (2, 2)


def test_a_lost_queen_leaves_the_stock_and_comes_back_with_undo(world: World) -> None:
    batch = world.batch(virgins=2)
    first = batch.batch_queens.get(number=1)
    batch_queen_lost(first, reason="not in her nuc", lost_on=TODAY, by=world.owner, now=NOW)
    first.refresh_from_db()
    assert (first.state, first.queen.status, queens_left(batch)) == ("lost", "gone", (1, 0))
    batch_queen_back(first, by=world.owner, now=NOW)
    first = BatchQueen.objects.select_related("queen").get(pk=first.pk)
    assert (first.state, first.state_reason, first.queen.status, queens_left(batch)) == (
        "waiting",
        "",
        "virgin",
        (2, 0),
    )


def test_setting_a_queen_aside_says_why(world: World) -> None:
    batch_queen = world.batch(virgins=1).batch_queens.get()
    with pytest.raises(Refusal) as refused:
        batch_queen_set_aside(batch_queen, reason=" ", by=world.owner, now=NOW)
    assert refused.value.field == "reason"


def test_the_nuc_of_a_queen_is_written_down_and_its_excluder_not_before_it_was_seen(world: World) -> None:
    batch_queen = world.batch(virgins=1).batch_queens.get()
    batch_queen_nuc(batch_queen, nuc=" 7 ", excluder_confirmed_on=TODAY, by=world.owner, now=NOW)
    batch_queen.refresh_from_db()
    assert (batch_queen.nuc, batch_queen.excluder_confirmed_on) == ("7", TODAY)
    assert AuditEntry.objects.filter(action="batch_queen.nuc").count() == 1
    with pytest.raises(Refusal) as refused:
        batch_queen_nuc(batch_queen, nuc="8", excluder_confirmed_on=TODAY + dt.timedelta(days=1), by=None, now=NOW)
    assert refused.value.field == "excluder_confirmed_on"
    batch_queen.refresh_from_db()
    assert batch_queen.nuc == "7"


def place_for(world: World, booking: Booking) -> BenchPlace:
    plan = Plan.objects.create(season=world.season, created_at=NOW, state="published", number=1, published_at=NOW)
    return BenchPlace.objects.create(
        session=world.session(), position=1, plan=plan, booking=booking, dose_tenths=80, source=world.source()
    )


def test_a_late_emergence_leaves_the_place_and_says_what_would_fit(world: World) -> None:
    batch = world.batch()
    booking = BookingFactory(batch=batch, queens=1, state="placed")
    place = place_for(world, booking)
    world.session(DAY(2026, 6, 13), places=5)
    batch_emerged(batch, emerged_on=DAY(2026, 6, 6), virgins=3, by=world.owner, now=NOW)
    place.refresh_from_db()
    booking.refresh_from_db()
    assert (place.session.day, place.state, booking.state) == (DAY(2026, 6, 9), "held", "placed")
    (misfit,) = misfits_of(batch_view(fresh(batch), today=TODAY))
    assert "Tue 9 June no longer fits: the youngest queens are 3 days old then" in misfit.what
    assert misfit.help == "Sat 13 June would fit: 7 days old, 5 places free."


def test_fewer_virgins_than_places_are_said(world: World) -> None:
    batch = world.batch()
    BookingFactory(batch=batch, queens=6, state="asked", wished_session=world.session())
    batch_emerged(batch, emerged_on=DAY(2026, 6, 1), virgins=4, by=world.owner, now=NOW)
    (misfit,) = misfits_of(batch_view(fresh(batch), today=TODAY))
    assert (misfit.what, misfit.help) == (
        f"6 places are booked, but {batch} has 4 queens.",
        "Give 2 places back.",
    )


def test_the_place_of_a_lost_queen_goes_to_her_sister(world: World) -> None:
    batch = world.batch(virgins=2)
    booking = BookingFactory(batch=batch, queens=1, state="placed")
    place = place_for(world, booking)
    first, second = batch.batch_queens.order_by("number")
    BenchPlace.objects.filter(pk=place.pk).update(batch_queen=first)
    batch_queen_set_aside(first, reason="dark", by=world.owner, now=NOW)
    place.refresh_from_db()
    assert place.batch_queen == second


def test_a_batch_with_live_places_is_not_closed(world: World) -> None:
    batch = world.batch(virgins=2)
    booking = BookingFactory(batch=batch, queens=1)
    with pytest.raises(Refusal) as refused:
        batch_close(batch, by=world.owner, now=NOW)
    assert refused.value.rule == "batch_has_bookings"
    Booking.objects.filter(pk=booking.pk).update(state="withdrawn")
    batch_close(batch, reason="all lost", by=world.owner, now=NOW)
    with pytest.raises(Refusal) as closed:
        batch_excluder(batch, excluder_on=DAY(2026, 6, 1), by=world.owner, now=NOW)
    assert closed.value.rule == "batch_closed"
    batch_reopen(batch, by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert (batch.closed_on, batch.closed_reason) == (None, "")


def test_a_planned_batch_moves_to_another_bench_day_a_grafted_one_does_not(world: World) -> None:
    batch = world.batch(grafted_on=None, cells_grafted=None, wanted_bench_on=DAY(2026, 7, 9))
    batch_replan(batch, wanted_bench_on=DAY(2026, 7, 16), by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert batch.planned_graft_on == DAY(2026, 6, 26)
    with pytest.raises(Refusal):
        batch_replan(world.batch(), wanted_bench_on=DAY(2026, 7, 16), by=world.owner, now=NOW)


def test_nothing_is_observed_before_the_graft(world: World) -> None:
    batch = world.batch(grafted_on=None, cells_grafted=None, wanted_bench_on=DAY(2026, 6, 9))
    with pytest.raises(Refusal) as refused:
        batch_caged(batch, caged_on=DAY(2026, 5, 30), by=world.owner, now=NOW)
    assert refused.value.rule == "graft_first"
    batch_graft(batch, grafted_on=DAY(2026, 5, 20), hour=11, cells=20, by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert (batch.grafted_on, batch.grafted_hour, batch.cells_grafted) == (DAY(2026, 5, 20), 11, 20)


def test_a_step_recorded_by_mistake_is_taken_back_but_not_one_that_carries_others(world: World) -> None:
    batch = world.batch(excluder_on=DAY(2026, 6, 1))
    batch_withdraw_step(batch, step="excluder", by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert batch.excluder_on is None
    with pytest.raises(Refusal) as refused:
        batch_withdraw_step(batch, step="grafted", by=world.owner, now=NOW)
    assert refused.value.rule == "step_carries_others"


def test_another_members_apiary_is_refused(world: World) -> None:
    with pytest.raises(Refusal) as refused:
        batch_edit(world.batch(), name="Rowan", apiary=ApiaryFactory(), note="", by=world.owner, now=NOW)
    assert refused.value.field == "apiary"
