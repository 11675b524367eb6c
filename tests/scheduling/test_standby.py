"""Freed places go to the queue by themselves: in the order of the ledger, once, for a limited time."""

import contextlib
import datetime as dt
import threading
from collections.abc import Iterator
from typing import Any
from unittest import mock

import pytest
from django.db import IntegrityError, connection, connections, transaction

from accounts.models import AuditEntry, Job
from accounts.refusals import Refusal
from scheduling.models import (
    BenchPlace,
    BookingState,
    DroneCall,
    Offer,
    OfferState,
    PlaceState,
    Plan,
    PlanState,
    Reminder,
    ReminderState,
)
from scheduling.queries.plans import plan_in_force
from scheduling.services import standby
from scheduling.services.batch_queens import batch_queen_lost
from scheduling.services.bookings import booking_withdraw
from scheduling.services.delivery import deliver_due
from scheduling.services.offers import offer_accept, offer_decline, offers_lapse
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_sketch_from
from scheduling.services.sources import source_hold, source_withdraw
from scheduling.services.standby import standby_run
from tests.factories import NOW, BatchQueenFactory, BookingFactory, BookingSourceFactory
from tests.scheduling.plan_world import PlanWorld

HOUR = dt.timedelta(hours=1)


def full_bench(*, later: int = 2) -> PlanWorld:
    """One bench day with five places, given to the first; the others stand in the queue."""
    world = PlanWorld(places=5, days=(12,))
    world.ask("Rowan 1")
    world.publish()
    for number in range(later):
        booking = world.ask(f"Alder {number}", minutes=10 + number)
        booking.state = BookingState.QUEUED
        booking.save(update_fields=["state"])
    return world


@pytest.fixture
def world(db: None) -> PlanWorld:
    return full_bench()


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


def withdraw_first(world: PlanWorld, now: dt.datetime = NOW) -> Offer:
    booking_withdraw(world.bookings[0], by=world.person(world.bookings[0]), now=now)
    assert world.run_standby(now) == 1
    (offer,) = world.open_offers()
    return offer


def test_places_given_back_are_offered_to_the_first_in_the_queue(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    second = world.bookings[1]
    assert (offer.booking, offer.queens, offer.session, offer.rank) == (second, 5, world.sessions[0], 1)
    assert (offer.source, offer.expires_at) == (world.source, NOW + 12 * HOUR)
    second.refresh_from_db()
    assert second.state == BookingState.OFFERED
    places = BenchPlace.objects.filter(offer=offer)
    assert set(places.values_list("state", "position")) == {("offered", n) for n in range(1, 6)}
    told = Reminder.objects.filter(kind="place_offered", state=ReminderState.WANTED).order_by("due_at")
    assert [(row.due_at, row.member, row.critical) for row in told] == [
        (NOW, second.member, True),
        (NOW + 10 * HOUR, second.member, True),
    ]


def test_a_run_beside_it_offers_nothing_more(world: PlanWorld) -> None:
    withdraw_first(world)
    assert standby_run(world.season, now=NOW) == []
    assert len(world.open_offers()) == 1


def test_whoever_takes_it_has_the_places_and_the_plan_follows(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    plan = plan_in_force(world.season)
    assert plan is not None
    version = plan.version
    taken = offer_accept(offer, by=world.person(offer.booking), now=NOW + HOUR)
    assert taken.state == OfferState.ACCEPTED
    second = world.bookings[1]
    second.refresh_from_db()
    assert (second.state, second.why) == (BookingState.PLACED, "")
    plan.refresh_from_db()
    assert (plan.state, plan.version > version) == (PlanState.CHANGED, True)
    rows = list(plan.placements.values_list("booking", "queens", "source"))
    assert rows == [(second.pk, 5, world.source.pk)]
    assert list(DroneCall.objects.filter(plan=plan).values_list("volume_tenths", flat=True)) == [400]
    kinds = Reminder.objects.filter(member=second.member, state=ReminderState.WANTED).values_list("kind", flat=True)
    assert {"first_co2", "bench_time"} <= set(kinds)
    assert "place_offered" not in kinds
    again = offer_accept(offer, by=world.person(offer.booking), now=NOW + 2 * HOUR)
    assert again.answered_at == taken.answered_at
    assert AuditEntry.objects.filter(action="offer.accept").count() == 1


def test_what_is_let_pass_goes_to_the_next_and_is_not_offered_there_again(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    offer_decline(offer, by=world.person(offer.booking), now=NOW + HOUR)
    assert world.run_standby(NOW + HOUR) == 1
    (second,) = world.open_offers()
    assert second.booking == world.bookings[2]
    passed = world.bookings[1]
    passed.refresh_from_db()
    assert passed.state == BookingState.QUEUED
    offer_decline(second, by=world.person(second.booking), now=NOW + 2 * HOUR)
    world.run_standby(NOW + 2 * HOUR)
    assert world.open_offers() == []
    with refused("offer_over"):
        offer_accept(offer, by=world.person(offer.booking), now=NOW + HOUR)


def test_an_offer_lapses_by_itself_and_the_queue_moves_up(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    deliver_due(now=offer.expires_at - dt.timedelta(seconds=1), send=lambda delivery: None)
    offer.refresh_from_db()
    assert offer.state == OfferState.OPEN
    late = offer.expires_at + dt.timedelta(seconds=1)
    deliver_due(now=late, send=lambda delivery: None)
    offer.refresh_from_db()
    assert offer.state == OfferState.LAPSED
    assert offers_lapse(now=late) == 0
    assert world.run_standby(late) == 1
    assert [entry.booking for entry in world.open_offers()] == [world.bookings[2]]


def test_after_its_time_it_cannot_be_taken_even_before_the_sweep(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    with refused("offer_over"):
        offer_accept(offer, by=world.person(offer.booking), now=offer.expires_at)
    assert BenchPlace.objects.filter(offer=offer, state=PlaceState.OFFERED).count() == 5


def test_the_smaller_share_comes_first_whoever_asked_earlier(world: PlanWorld) -> None:
    early, late = world.bookings[1:]
    # The one who asked first has five queens inseminated already this season.
    done = BookingFactory(batch__season=world.season, batch__member=early.member, queens=5, state="done")
    plan = plan_in_force(world.season)
    assert plan is not None
    for position in range(20, 25):
        BenchPlace.objects.create(
            session=world.sessions[0], position=position, plan=plan, booking=done, source=world.source,
            dose_tenths=80, state=PlaceState.DONE,
        )  # fmt: skip
    assert withdraw_first(world).booking == late


def test_the_order_can_be_set_to_who_asked_first(world: PlanWorld) -> None:
    world.season.even_shares_first = world.season.given_counts = False
    world.season.save(update_fields=["even_shares_first", "given_counts"])
    BookingFactory(batch__season=world.season, batch__member=world.bookings[2].member, queens=50, state="asked")
    assert withdraw_first(world).booking == world.bookings[1]


def test_no_offer_is_made_when_the_answer_would_come_after_the_first_co2(world: PlanWorld) -> None:
    starts_at = world.sessions[0].starts_at
    booking_withdraw(world.bookings[0], by=world.by, now=starts_at - 26 * HOUR)
    world.run_standby(starts_at - 26 * HOUR)
    assert world.open_offers() == []


def test_the_time_to_answer_ends_before_the_first_co2(world: PlanWorld) -> None:
    starts_at = world.sessions[0].starts_at
    offer = withdraw_first(world, starts_at - 30 * HOUR)
    assert offer.expires_at == starts_at - 26 * HOUR


def test_drones_that_are_not_there_are_not_offered(world: PlanWorld) -> None:
    other = world.bookings[1].accepted.get()
    other.source = BookingSourceFactory(booking=world.bookings[2], source__season=world.season).source
    other.save(update_fields=["source"])
    assert withdraw_first(world).booking == world.bookings[2]


def test_a_new_plan_replaces_what_is_still_offered(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    plan = plan_publish(world.work_out(), by=world.by, now=NOW)
    offer.refresh_from_db()
    assert offer.state == OfferState.REPLACED
    assert BenchPlace.objects.filter(state=PlaceState.OFFERED).count() == 0
    assert BenchPlace.objects.filter(state=PlaceState.HELD, plan=plan).count() == 5
    with refused("offer_over"):
        offer_accept(offer, by=world.person(offer.booking), now=NOW)


def test_a_sketch_begun_before_an_offer_was_taken_cannot_be_published(world: PlanWorld) -> None:
    in_force = plan_in_force(world.season)
    assert in_force is not None
    offer = withdraw_first(world)
    in_force.refresh_from_db()
    sketch = plan_sketch_from(in_force, by=world.by, now=NOW)
    offer_accept(offer, by=world.person(offer.booking), now=NOW)
    with refused("plan_base"):
        plan_publish(sketch, by=world.by, now=NOW)
    assert BenchPlace.objects.filter(state=PlaceState.HELD, booking=offer.booking).count() == 5


def test_withdrawing_a_request_with_an_open_offer_frees_its_places(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    booking_withdraw(offer.booking, by=world.person(offer.booking), now=NOW)
    world.run_standby()
    assert [entry.booking for entry in world.open_offers()] == [world.bookings[2]]
    offer.booking.refresh_from_db()
    assert offer.booking.state == BookingState.WITHDRAWN


@pytest.mark.parametrize("act", ["hold", "withdraw"])
def test_drones_blocked_or_taken_back_meanwhile_are_not_accepted(world: PlanWorld, act: str) -> None:
    offer = withdraw_first(world)
    if act == "hold":
        source_hold(world.source, reason="brood disease at the apiary", by=world.by, now=NOW)
    else:
        with refused("source_in_plan"):
            source_withdraw(world.source, by=world.by, now=NOW)
        type(world.source).objects.filter(pk=world.source.pk).update(withdrawn_at=NOW)
    with refused("offer_source"):
        offer_accept(offer, by=world.person(offer.booking), now=NOW)
    assert BenchPlace.objects.filter(state=PlaceState.HELD).count() == 0


def test_a_lost_virgin_without_a_sister_frees_her_place(world: PlanWorld) -> None:
    first = world.bookings[0]
    first.batch.emerged_on, first.batch.virgins_emerged = dt.date(2026, 6, 3), 5
    first.batch.save()
    born = dt.date(2026, 6, 3)
    queens = [BatchQueenFactory(batch=first.batch, number=n, queen__emerged_on=born) for n in range(1, 6)]
    BenchPlace.objects.filter(booking=first).update(batch_queen=None)
    batch_queen_lost(queens[0], reason="Not in her nuc", lost_on=dt.date(2026, 6, 9), by=world.by, now=NOW)
    world.run_standby()
    (offer,) = world.open_offers()
    assert (offer.booking, offer.queens) == (world.bookings[1], 1)
    assert BenchPlace.objects.filter(booking=first, state=PlaceState.HELD).count() == 4


def test_without_a_published_plan_nothing_is_offered(db: None) -> None:
    world = PlanWorld()
    booking_withdraw(world.ask("Rowan 1"), by=world.by, now=NOW)
    assert Job.objects.filter(kind="standby").count() == 0
    assert standby_run(world.season, now=NOW) == []


def test_the_database_refuses_a_place_that_is_offered_already(world: PlanWorld) -> None:
    offer = withdraw_first(world)
    place = offer.places.first()
    assert place is not None
    with pytest.raises(IntegrityError), transaction.atomic():
        BenchPlace.objects.create(
            session=place.session, position=place.position, plan=place.plan, booking=world.bookings[2], dose_tenths=80
        )
    with pytest.raises(IntegrityError), transaction.atomic():
        Offer.objects.create(
            booking=offer.booking, session=offer.session, queens=1, rank=1,
            offered_at=NOW, expires_at=NOW + HOUR,
        )  # fmt: skip


@pytest.fixture
def unlocked() -> Iterator[None]:
    """The control: the same code with its row locks taken away."""
    from django.db.models.query import QuerySet

    with mock.patch.object(QuerySet, "select_for_update", lambda self, *args, **kwargs: self.all()):
        yield


def _race(module: Any, meet: str, *acts: Any) -> list[str]:
    """Run all at once; each waits for the others after `meet`, if they all get that far."""
    barrier = threading.Barrier(len(acts), timeout=10)
    real, outcomes = getattr(module, meet), []

    def together(*args: Any, **kwargs: Any) -> Any:
        answer = real(*args, **kwargs)
        with contextlib.suppress(threading.BrokenBarrierError):
            barrier.wait(timeout=2)
        return answer

    def one(act: Any) -> None:
        try:
            outcomes.append(str(act()))
        except Refusal as refusal:
            outcomes.append(refusal.rule)
        except IntegrityError:
            outcomes.append("refused by the database")
        finally:
            connections.close_all()

    with mock.patch.object(module, meet, together):
        threads = [threading.Thread(target=one, args=[act]) for act in acts]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=30)
    return sorted(outcomes)


def _two_runs() -> list[str]:
    world = full_bench()
    booking_withdraw(world.bookings[0], by=world.by, now=NOW)
    assert connection.vendor == "postgresql"
    return _race(standby, "problem_of", *[lambda: len(standby_run(world.season, now=NOW))] * 2)


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_runs_at_once_offer_a_place_once() -> None:
    assert _two_runs() == ["0", "1"]
    assert Offer.objects.count() == 1
    assert BenchPlace.objects.filter(state=PlaceState.OFFERED).count() == 5


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_without_the_row_lock_only_the_database_stops_the_second_run(unlocked: None) -> None:
    assert _two_runs() == ["1", "refused by the database"]
    assert BenchPlace.objects.filter(state=PlaceState.OFFERED).count() == 5


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("second", ["decline", "lapse", "publish", "withdraw"])
def test_an_offer_taken_while_something_else_ends_it_has_one_outcome(second: str) -> None:
    from scheduling.services import offers

    world = full_bench()
    offer = withdraw_first(world)
    person = world.person(offer.booking)
    sketch: Plan | None = world.work_out() if second == "publish" else None
    others = {
        "decline": lambda: offer_decline(offer, by=person, now=NOW).state,
        "lapse": lambda: offers_lapse(now=offer.expires_at),
        "publish": lambda: plan_publish(sketch, by=world.by, now=NOW).number,  # type: ignore[arg-type]
        "withdraw": lambda: booking_withdraw(offer.booking, by=world.by, now=NOW).state,
    }
    took = _race(offers, "_locked", lambda: offer_accept(offer, by=person, now=NOW).state, others[second])
    offer.refresh_from_db()
    held = BenchPlace.objects.filter(state=PlaceState.HELD).count()
    assert (offer.state == OfferState.ACCEPTED) == ("accepted" in took)
    assert BenchPlace.objects.filter(state=PlaceState.OFFERED).count() == 0
    if second == "withdraw":  # whoever comes first, the request is withdrawn and nobody holds its places
        assert "withdrawn" in took
        assert held == 0
    elif second != "publish":
        assert held == (5 if offer.state == OfferState.ACCEPTED else 0)
    else:  # the plan gives the places itself, or is refused because they were taken
        assert held == 5
        assert ("plan_base" in took) == (offer.state == OfferState.ACCEPTED)
