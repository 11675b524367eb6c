"""Asking for places: what is refused, what queues, what is asked only once."""

import contextlib
import datetime as dt
import math
import threading
import uuid
from collections.abc import Iterator
from decimal import Decimal
from typing import Any
from unittest import mock

import pytest
from django.db import connection, connections

from accounts.models import AuditEntry
from accounts.queries.often import questions_forget
from accounts.refusals import Refusal
from scheduling.models import BenchPlace, BenchSession, Booking, DroneSource, Plan, QueenBatch, SeasonSetting
from scheduling.planning.supply import Yield, line_level, reserve_line
from scheduling.queries.batches import batch_view, batches_with_facts, queens_left
from scheduling.queries.bookings import queue_words
from scheduling.queries.choices import session_options, source_choices
from scheduling.queries.sessions import place_in_queue, places_left
from scheduling.services import bookings as service
from scheduling.services.bookings import booking_ask, booking_withdraw
from scheduling.services.season import setting_change
from scheduling.services.sources import source_hold
from tests.factories import BenchFactory, BookingFactory, MatingFactory, QueenFactory
from tests.scheduling.world import NOW, TODAY, World, make_world

DAY = dt.date


def ask(world: World, batch: QueenBatch, sources: list[DroneSource], **kwargs: Any) -> Booking:
    kwargs.setdefault("queens", 4)
    return booking_ask(batch, sources=sources, by=world.owner, now=NOW, **kwargs)


def refusal(world: World, batch: QueenBatch, sources: list[DroneSource], **kwargs: Any) -> Refusal:
    before = Booking.objects.count()
    with pytest.raises(Refusal) as refused:
        ask(world, batch, sources, **kwargs)
    assert Booking.objects.count() == before
    return refused.value


def test_what_fits_is_asked_with_what_was_shown(world: World) -> None:
    batch, source, session = world.batch(virgins=6), world.source(), world.session()
    booking = ask(world, batch, [source], session=session)
    booking.refresh_from_db()
    assert (booking.state, booking.why, booking.dose_tenths, booking.mode) == ("asked", "", 80, "each")
    assert (booking.member, booking.asked_by, booking.wished_session) == (world.member, world.owner, session)
    (choice,) = source_choices(batch_view(batch, today=TODAY))
    accepted = booking.accepted.get()
    assert (accepted.inbreeding, accepted.viability) == (
        choice.prediction.worker_inbreeding,
        choice.prediction.viability,
    )
    assert places_left(session) == session.places - 4
    assert AuditEntry.objects.get(action="booking.ask").after["sources"] == [source.name]


def test_the_same_key_asks_once(world: World) -> None:
    batch, source, key = world.batch(virgins=6), world.source(), uuid.uuid4()
    first = ask(world, batch, [source], key=key)
    assert ask(world, batch, [source], key=key) == first
    assert Booking.objects.count() == 1
    assert AuditEntry.objects.filter(action="booking.ask").count() == 1
    other = world.batch(virgins=6)
    assert refusal(world, other, [source], key=key).rule == "key"


def test_more_queens_than_there_are_are_refused(world: World) -> None:
    batch, source = world.batch(virgins=6, name="Rowan 1"), world.source()
    whole = refusal(world, batch, [source], queens=7)
    assert (whole.field, whole.text) == (
        "queens",
        "Rowan 1 has 6 queens. Enter 6 or fewer, or add the rest to another batch.",
    )
    ask(world, batch, [source], queens=4)
    rest = refusal(world, batch, [source], queens=3)
    assert rest.text == "4 of the 6 queens of Rowan 1 are booked already. Enter 2 or fewer."
    ask(world, batch, [source], queens=2)
    assert refusal(world, batch, [source], queens=1).text == "All 6 queens of Rowan 1 are booked already."


def test_withdrawn_queens_can_be_booked_again(world: World) -> None:
    batch, source = world.batch(virgins=6), world.source()
    booking_withdraw(ask(world, batch, [source], queens=6), by=world.owner, now=NOW)
    assert ask(world, batch, [source], queens=6).state == "asked"


def test_before_emergence_the_started_cells_count(world: World) -> None:
    batch = world.batch(cells_grafted=20, cells_started=12, counted_on=DAY(2026, 5, 21))
    assert queens_left(batch) == (12, 0)
    assert refusal(world, batch, [world.source()], queens=13).rule == "queens_left"


def test_a_batch_without_any_number_cannot_be_booked(world: World) -> None:
    batch = world.batch(cells_grafted=None)
    assert refusal(world, batch, [world.source()], queens=1).rule == "queens_known"


@pytest.mark.parametrize(
    ("day", "rule", "said"),
    [
        (DAY(2026, 6, 16), "past_it", "Too late: Rowan 1 is past it after Mon 15 June."),
        (DAY(2026, 6, 8), "too_young", "Too early: Rowan 1 may be inseminated from Tue 9 June on."),
    ],
)
def test_too_old_and_too_young_are_refused(world: World, day: dt.date, rule: str, said: str) -> None:
    emerged = DAY(2026, 6, 4) if rule == "too_young" else DAY(2026, 6, 1)
    batch = world.batch(virgins=6, name="Rowan 1", emerged_on=emerged)
    refused = refusal(world, batch, [world.source()], session=world.session(day))
    assert (refused.rule, refused.text, refused.field) == (rule, said, "session")


def test_an_age_of_13_or_14_days_needs_a_reason(world: World) -> None:
    batch, source, session = world.batch(virgins=6), world.source(), world.session(DAY(2026, 6, 14))
    assert refusal(world, batch, [source], session=session).rule == "age_needs_reason"
    booking = ask(world, batch, [source], session=session, note="the bench was closed by storm")
    assert booking.note == "the bench was closed by storm"


def test_unripe_drones_are_refused_with_the_day_on_which_they_are(world: World) -> None:
    batch = world.batch(virgins=6)
    source = world.source(comb_in_on=DAY(2026, 5, 1))
    refused = refusal(world, batch, [source], session=world.session())
    assert refused.rule == "not_ripe"
    assert "These drones turn ripe on" in refused.text
    assert "days after that bench day. Choose a later day or another source." in refused.text


def test_a_source_on_hold_is_refused_and_the_rule_named(world: World) -> None:
    batch, source = world.batch(virgins=6), world.source()
    source_hold(source, reason="chalk brood seen", by=world.owner, now=NOW)
    refused = refusal(world, batch, [source])
    assert (refused.rule, refused.lifted_by, refused.field) == ("health_hold", "coordinator", "sources")
    assert "chalk brood seen" in refused.text


def test_a_certificate_that_ended_blocks(world: World) -> None:
    source = world.source(health_valid_until=DAY(2026, 6, 7))
    assert refusal(world, world.batch(virgins=6), [source]).rule == "health_certificate"


def test_a_source_over_the_inbreeding_limit_is_refused(world: World) -> None:
    """Drones of the mother herself on her own daughters: far over any limit."""
    batch = world.batch(virgins=6)
    source = world.source(drone_queen=batch.mother)
    (choice,) = source_choices(batch_view(batch, today=TODAY))
    assert choice.prediction.worker_inbreeding > 0.125
    assert refusal(world, batch, [source]).rule == "inbreeding_limit"
    setting_change(world.season, key="inbreeding_limit_share", value=Decimal("0.5"), by=world.owner, now=NOW)
    assert refusal(world, batch, [source]).rule == "viability_limit"
    setting_change(world.season, key="viability_stop_share", value=Decimal("0.5"), by=world.owner, now=NOW)
    assert ask(world, batch, [source]).state == "asked"


def test_mixed_semen_needs_two_sources(world: World) -> None:
    batch, source = world.batch(virgins=6), world.source()
    assert refusal(world, batch, [source], mode="pool").rule == "pool_sources"
    assert ask(world, batch, [source, world.source()], mode="pool").dose_tenths == 100


@pytest.mark.parametrize("dose", [0, 181])
def test_a_dose_nobody_gives_is_refused(world: World, dose: int) -> None:
    assert refusal(world, world.batch(virgins=6), [world.source()], dose_tenths=dose).field == "dose"


def test_a_full_bench_day_queues_with_the_place_in_the_queue(world: World) -> None:
    batch, source, session = world.batch(virgins=9), world.source(), world.session(places=4)
    assert ask(world, batch, [source], session=session, queens=4).state == "asked"
    first = ask(world, batch, [source], session=session, queens=2)
    second = ask(world, batch, [source], session=session, queens=3)
    assert (first.state, str(first.why)) == ("queued", "Tue 9 June is full.")
    assert [place_in_queue(first), place_in_queue(second)] == [1, 2]
    assert queue_words(second) == "It is 2nd in the queue for Tue 9 June."
    booking_withdraw(first, by=world.owner, now=NOW)
    assert place_in_queue(second) == 1


def safe_need(volume_tenths: int) -> int:
    """Drones to set aside at the default yield and service level, straight from the supply kernel."""
    given = Yield(usable_fraction=0.595, kappa=30, ul_per_drone=1.0, cv_volume=0.3)
    per_tenth, once = reserve_line(given, level=line_level(0.9), least_ul=4.0, most_ul=240.0)
    return math.ceil((per_tenth * volume_tenths + once) / 1000)


@pytest.fixture
def immortal(world: World) -> World:
    """Drones that never die, so that the numbers of a test are those that were counted."""
    SeasonSetting.objects.create(season=world.season, key="drone_daily_survival", value=1, changed_at=NOW)
    return world


def test_too_few_drones_queue_and_say_how_many_are_missing(immortal: World) -> None:
    """6 queens of 8 µl; 43 drones counted with an error of 12 % are safely 36."""
    batch, source, session = immortal.batch(virgins=6), immortal.source(drones=43), immortal.session()
    booking = ask(immortal, batch, [source], session=session, queens=6)
    missing = safe_need(480) - 36
    assert missing > 0
    assert (booking.state, str(booking.why)) == ("queued", f"Tue 9 June is short of {missing} drones.")


def test_two_scarce_sources_serve_together_what_neither_could_alone(immortal: World) -> None:
    batch, session = immortal.batch(virgins=12), immortal.session()
    enough_for_four = math.ceil(safe_need(320) / 0.84)
    sources = [immortal.source(drones=enough_for_four) for _ in range(2)]
    assert ask(immortal, batch, sources, session=session, queens=6, mode="one").state == "queued"
    assert ask(immortal, batch, sources, session=session, queens=6).state == "asked"


def test_drones_that_others_asked_for_are_not_given_twice(immortal: World) -> None:
    batch, session = immortal.batch(virgins=12), immortal.session()
    source = immortal.source(drones=math.ceil(1.5 * safe_need(480)))
    assert ask(immortal, batch, [source], session=session, queens=6).state == "asked"
    assert ask(immortal, batch, [source], session=session, queens=6).state == "queued"


def test_without_a_daily_survival_drones_are_taken_on_trust(world: World) -> None:
    """The plan does not run before the coordinator has set it, so nothing is refused or queued for it here."""
    batch, source, session = world.batch(virgins=6), world.source(drones=1), world.session()
    assert ask(world, batch, [source], session=session, queens=6).state == "asked"


def test_a_source_that_is_not_brought_to_that_bench_is_refused_there(world: World) -> None:
    batch, source, session = world.batch(virgins=6), world.source(), world.session()
    source.benches.add(BenchFactory(cooperative=world.cooperative))
    refused = refusal(world, batch, [source], session=session)
    assert (refused.rule, "not brought to" in refused.text) == ("not_ripe", True)


def test_options_offer_exactly_what_the_service_takes(world: World) -> None:
    batch = world.batch(virgins=6)
    source = world.source()
    days = [DAY(2026, 6, day) for day in (9, 12, 16, 30)]
    sessions = {day: world.session(day, places=14 if day.day != 12 else 3) for day in days}
    fresh = batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))[0]
    view = batch_view(fresh, today=TODAY)
    options = session_options(view, source_choices(view), queens=4, dose_tenths=80, mode="each")
    assert [(option.session.day, option.status) for option in options] == [
        (days[0], "fits"),
        (days[1], "queue"),
        (days[2], "no"),
        (days[3], "no"),
    ]
    assert options[0].why == "14 of 14 places free, drones enough. Queens 8 days old."
    assert options[1].why == "Only 3 places free. You would be 1st in the queue."
    assert ask(world, batch, [source], session=sessions[days[0]], queens=1).state == "asked"
    assert refusal(world, batch, [source], session=sessions[days[2]], queens=1).rule == options[2].rule


def test_a_day_called_off_or_over_gives_no_places(world: World) -> None:
    batch, source = world.batch(virgins=6), world.source()
    off = world.session(state="cancelled")
    over = world.session(DAY(2026, 6, 7))
    for session in (off, over):
        assert refusal(world, batch, [source], session=session).rule == "session_open"


def test_withdrawing_frees_the_numbered_places(world: World) -> None:
    batch, session = world.batch(virgins=6), world.session(places=2)
    booking = BookingFactory(batch=batch, queens=1, state="placed")
    plan = Plan.objects.create(season=world.season, created_at=NOW)
    place = BenchPlace.objects.create(session=session, position=1, plan=plan, booking=booking, dose_tenths=80)
    assert places_left(session) == 1
    booking_withdraw(booking, reason="queens lost", by=world.owner, now=NOW)
    booking_withdraw(booking, by=world.owner, now=NOW)
    place.refresh_from_db()
    booking.refresh_from_db()
    assert (place.state, booking.state, booking.why, places_left(session)) == ("freed", "withdrawn", "queens lost", 2)
    assert AuditEntry.objects.get(action="booking.withdraw").after["places_freed"] == 1


def test_what_is_done_is_not_withdrawn(world: World) -> None:
    booking = BookingFactory(batch=world.batch(virgins=6), state="done")
    with pytest.raises(Refusal) as refused:
        booking_withdraw(booking, by=world.owner, now=NOW)
    assert refused.value.rule == "booking_over"


# -- races ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def unlocked() -> Iterator[None]:
    """The control: the same code with its row locks taken away, also from the questions that are kept."""
    from django.db.models.query import QuerySet

    questions_forget()
    with mock.patch.object(QuerySet, "select_for_update", lambda self, *args, **kwargs: self.all()):
        yield
    questions_forget()


def _race(world: World, batches: list[QueenBatch], session: BenchSession, source: DroneSource, meet: str) -> list[str]:
    """Two taps at once. `meet`: the check after which both wait for each other, if they both get that far."""
    barrier = threading.Barrier(2, timeout=10)
    real, outcomes = getattr(service, meet), []

    def checked_together(*args: Any, **kwargs: Any) -> Any:
        answer = real(*args, **kwargs)
        with contextlib.suppress(threading.BrokenBarrierError):  # the other one waits for the row, as it should
            barrier.wait(timeout=2)
        return answer

    def one(batch: QueenBatch) -> None:
        try:
            booking = booking_ask(batch, queens=4, sources=[source], session=session, by=world.owner, now=NOW)
            outcomes.append(booking.state)
        except Refusal as refused:
            outcomes.append(refused.rule)
        finally:
            connections.close_all()

    with mock.patch.object(service, meet, checked_together):
        threads = [threading.Thread(target=one, args=[batch]) for batch in batches]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=30)
    return sorted(outcomes)


QUEENS, PLACES = "_refuse_more_than_left", "session_option"


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_requests_at_once_never_book_a_queen_twice() -> None:
    world = make_world()
    batch = world.batch(virgins=6)
    assert connection.vendor == "postgresql"
    assert _race(world, [batch, batch], world.session(), world.source(), QUEENS) == ["asked", "queens_left"]
    assert queens_left(batch) == (6, 4)


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_without_the_row_lock_the_same_two_requests_book_queens_twice(unlocked: None) -> None:
    world = make_world()
    batch = world.batch(virgins=6)
    assert _race(world, [batch, batch], world.session(), world.source(), QUEENS) == ["asked", "asked"]
    assert queens_left(batch) == (6, 8)


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_batches_at_once_never_ask_for_the_same_free_places() -> None:
    world = make_world()
    session = world.session(places=5)
    batches = [world.batch(virgins=6), world.batch(virgins=6)]
    assert _race(world, batches, session, world.source(), PLACES) == ["asked", "queued"]
    assert places_left(session) == 1


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_without_the_row_lock_two_batches_are_told_that_the_same_places_are_free(unlocked: None) -> None:
    world = make_world()
    batches = [world.batch(virgins=6), world.batch(virgins=6)]
    assert _race(world, batches, world.session(places=5), world.source(), PLACES) == ["asked", "asked"]


def test_a_closer_relation_than_the_mother_is_seen_through_the_pedigree(world: World) -> None:
    """A sister of the mother as drone source: inbred workers, but less than with the mother herself."""
    grandmother = world.mother()
    mother, sister = (QueenFactory(owner=world.member, mother=grandmother, status="mated") for _ in range(2))
    for queen in (mother, sister):
        MatingFactory(queen=queen)
    batch = world.batch(virgins=6, mother=mother)
    world.source(drone_queen=sister)
    world.source(drone_queen=mother)
    choices = source_choices(batch_view(batch, today=TODAY))
    inbreeding = {choice.source.drone_queen_id: choice.prediction.worker_inbreeding for choice in choices}
    assert 0 < inbreeding[sister.pk] < inbreeding[mother.pk]
