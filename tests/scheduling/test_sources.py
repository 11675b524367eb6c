"""Drone sources and their cohorts."""

import datetime as dt

import pytest

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Queen
from scheduling.models import BenchPlace, DroneCount, DroneSource, Plan
from scheduling.planning.facts import settings_from
from scheduling.planning.timing import CohortEvents, cohort_calendar
from scheduling.queries.sources import bookings_relying_on
from scheduling.queries.sources_at_hand import cohort_view, source_view
from scheduling.services.cohorts import cohort_add, cohort_observe, count_record
from scheduling.services.sources import source_hold, source_hold_lift, source_offer, source_withdraw
from tests.factories import BookingFactory, BookingSourceFactory, DroneSourceFactory, QueenFactory
from tests.scheduling.world import NOW, TODAY, World

DAY = dt.date


def offer(world: World, name: str, *, drone_queen: Queen | None = None) -> DroneSource:
    queen = drone_queen or world.mother()
    return source_offer(world.season, member=world.member, drone_queen=queen, name=name, by=world.owner, now=NOW)


def test_sources_get_the_next_letter_that_was_never_used(world: World) -> None:
    first, second = offer(world, "Ling"), offer(world, "Fell")
    source_withdraw(first, by=world.owner, now=NOW)
    assert [first.letter, second.letter, offer(world, "Holm").letter] == ["A", "B", "C"]


def test_a_queen_is_offered_once_until_she_is_withdrawn(world: World) -> None:
    queen = world.mother()
    source = offer(world, "Ling", drone_queen=queen)
    with pytest.raises(Refusal) as refused:
        offer(world, "Ling again", drone_queen=queen)
    assert refused.value.rule == "source_queen_once"
    source_withdraw(source, by=world.owner, now=NOW)
    assert offer(world, "Ling again", drone_queen=queen).pk != source.pk


def test_only_the_owner_of_a_queen_offers_her(world: World) -> None:
    with pytest.raises(Refusal) as refused:
        offer(world, "Ling", drone_queen=world.mother(owner=world.other_member()))
    assert refused.value.rule == "source_own_queen"
    assert not DroneSource.objects.exists()


def test_a_hold_says_why_and_is_lifted_with_an_audit_row(world: World) -> None:
    source = world.source()
    with pytest.raises(Refusal):
        source_hold(source, reason=" ", by=world.owner, now=NOW)
    source_hold(source, reason="chalk brood seen", by=world.owner, now=NOW)
    source.refresh_from_db()
    assert (source.hold_since, source_view(source, today=TODAY).state) == (TODAY, "on_hold")
    source_hold_lift(source, note="clear", by=world.owner, now=NOW)
    source.refresh_from_db()
    assert (source.hold_since, source.hold_reason) == (None, "")
    actions = AuditEntry.objects.filter(subject_type="scheduling.dronesource").values_list("action", flat=True)
    assert list(actions) == ["source.hold.lift", "source.hold"]


def test_a_source_that_a_published_plan_counts_on_is_not_withdrawn(world: World) -> None:
    source = world.source()
    plan = Plan.objects.create(season=world.season, created_at=NOW)
    booking = BookingFactory(batch=world.batch())
    BenchPlace.objects.create(
        session=world.session(), position=1, plan=plan, booking=booking, dose_tenths=80, source=source
    )
    with pytest.raises(Refusal) as refused:
        source_withdraw(source, by=world.owner, now=NOW)
    assert (refused.value.rule, refused.value.lifted_by) == ("source_in_plan", "coordinator")


def test_requests_with_no_other_source_are_named_first(world: World) -> None:
    source, other = world.source(), world.source()
    both, alone, over = (BookingFactory(batch=world.batch(), asked_at=NOW) for _ in range(3))
    BookingSourceFactory(booking=both, source=source)
    BookingSourceFactory(booking=both, source=other)
    BookingSourceFactory(booking=alone, source=source)
    BookingSourceFactory(booking=over, source=source)
    over.state = "withdrawn"
    over.save()
    assert bookings_relying_on(source) == [alone, both]


def test_the_calendar_of_a_cohort_is_that_of_timing(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    calendar = cohort_view(cohort, today=TODAY).calendar
    assert calendar == cohort_calendar(
        CohortEvents(zone="Europe/Berlin", comb_in_on=DAY(2026, 4, 27)), settings_from({})
    )
    assert calendar.ripe_from <= DAY(2026, 6, 9) <= calendar.last_on


def test_a_comb_is_promised_and_then_observed(world: World) -> None:
    source = world.source(comb_in_on=None)
    cohort = cohort_add(source, promised_comb_on=DAY(2026, 6, 12), promised_drones=300, by=world.owner, now=NOW)
    assert (cohort.number, cohort.counts.get().kind, cohort_view(cohort, today=TODAY).state) == (
        1,
        "promised",
        "promised",
    )
    cohort_observe(cohort, step="comb_in_on", day=DAY(2026, 6, 7), by=world.owner, now=NOW)
    cohort.refresh_from_db()
    assert (cohort.comb_in_on, cohort.version) == (DAY(2026, 6, 7), 2)
    assert cohort_add(source, comb_in_on=TODAY, by=world.owner, now=NOW).number == 2


@pytest.mark.parametrize(
    ("step", "day", "rule"),
    [
        ("capped_on", DAY(2026, 6, 9), "observed_not_future"),
        ("laid_on", DAY(2026, 4, 26), "dates_in_order"),
    ],
)
def test_a_day_that_cannot_be_is_refused(world: World, step: str, day: dt.date, rule: str) -> None:
    cohort = world.source().cohorts.get()
    with pytest.raises(Refusal) as refused:
        cohort_observe(cohort, step=step, day=day, by=world.owner, now=NOW)
    assert refused.value.rule == rule
    cohort.refresh_from_db()
    assert getattr(cohort, step) is None


def test_a_corrected_count_replaces_the_first_and_keeps_it(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    first = count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 12), number=400, by=world.owner, now=NOW)
    second = count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 12), number=380, by=world.owner, now=NOW)
    first.refresh_from_db()
    assert first.replaced_by == second
    assert list(cohort.counts.filter(replaced_by__isnull=True)) == [second]
    entry = AuditEntry.objects.get(action="cohort.count.correct")
    assert (entry.before["number"], entry.after["number"]) == (400, 380)


def test_the_same_count_again_is_one_count(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    for _ in range(2):
        count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 12), number=400, by=world.owner, now=NOW)
    assert DroneCount.objects.count() == 1


def test_brood_is_not_counted_before_the_comb_is_in(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    with pytest.raises(Refusal) as refused:
        count_record(cohort, kind="capped", counted_on=DAY(2026, 4, 26), number=4, by=world.owner, now=NOW)
    assert (refused.value.field, refused.value.rule) == ("counted_on", "count_after_comb")


def test_a_cohort_without_count_is_flagged_from_capping_on(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    assert cohort_view(cohort, today=TODAY).is_not_counted
    assert not cohort_view(cohort, today=DAY(2026, 4, 28)).is_not_counted


def test_a_gone_queen_is_not_offered(world: World) -> None:
    gone = QueenFactory(owner=world.member, status="gone", gone_on=TODAY)
    with pytest.raises(Refusal) as refused:
        offer(world, "Ling", drone_queen=gone)
    assert refused.value.field == "drone_queen"


def test_names_of_sources_are_used_once_a_season(world: World) -> None:
    DroneSourceFactory(season=world.season, name="Ling")
    with pytest.raises(Refusal) as refused:
        offer(world, "ling")
    assert refused.value.rule == "source_name_unique"
