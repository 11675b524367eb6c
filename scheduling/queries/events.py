"""From rows to what the timing engine takes: what was observed of a batch, of one queen of it, after one bench session.

Queens of a batch go their own ways at the bench and after it. Where one calendar stands for several queens it is
that of the queen who is furthest behind: a step is done when it is done for all of them.
"""

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, QuerySet

from accounts.queries.often import asked_often
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchState,
    Co2Treatment,
    Dose,
    Finding,
    PlaceState,
    QueenBatch,
    QueenCheck,
)
from scheduling.planning.timing import BatchEvents, Co2Way, Emergence, local_day

NO_PLACES = [PlaceState.FREED, PlaceState.OFFERED]
AWAY = [BenchState.SET_ASIDE, BenchState.LOST]
BROOD = {Finding.WORKER_BROOD, Finding.DRONE_BROOD, Finding.MIXED_BROOD}
EGGS_OR_BROOD = {Finding.EGGS, *BROOD}


def zone_name_of_batch(batch: QueenBatch) -> str:
    """Days of a batch are calendar days where it stands."""
    return (batch.apiary.time_zone if batch.apiary else "") or batch.season.cooperative.time_zone


def held_places(batch: QueenBatch) -> list[BenchPlace]:
    """Numbered places that published plans gave to this batch and that still stand, by day and position."""
    return [place for booking in batch.bookings.all() for place in booking.bench_places.all()]


class _Queen(NamedTuple):
    """What a calendar asks of one queen. `gas`: ends of her treatments besides those on the hook, in their order."""

    state: str
    confirmed_on: dt.date | None
    emerged_on: dt.date | None
    doses: tuple[dt.datetime, ...] = ()
    gas: tuple[dt.datetime, ...] = ()
    checks: tuple[tuple[dt.date, str], ...] = ()

    @property
    def eggs(self) -> list[dt.date]:
        """Days on which somebody who looked at her found eggs or brood."""
        return [day for day, finding in self.checks if finding in EGGS_OR_BROOD]


class _Place(NamedTuple):
    state: str
    co2_before: bool
    starts_at: dt.datetime
    day: dt.date


def events_of_batch(batch: QueenBatch) -> BatchEvents:
    """What is on record of a batch, as the calendar takes it. Cheap on rows of `batches_with_facts`."""
    return _events(batch, _queens_in(batch), [_place_in(place) for place in held_places(batch)])


def events_of_batches(batches: Sequence[QueenBatch]) -> dict[int, BatchEvents]:
    """As `events_of_batch`, of many batches by their keys: two questions, five where a queen is treated."""
    pks = tuple(batch.pk for batch in batches)
    rows = _queens_of(pks)
    treated = tuple(pk for _batch, pk, *_her, is_treated in rows if is_treated)
    begun = {batch_pk for batch_pk, *_her, is_treated in rows if is_treated}
    # A look at any queen of a batch may be where the batch's own day of eggs comes from.
    looked_at = tuple(pk for batch_pk, pk, *_her in rows if batch_pk in begun)
    doses, gas, checks = _by_queen(_doses_to(treated)), _by_queen(_gas_for(treated)), _by_queen(_checks_of(looked_at))
    queens: dict[int, list[_Queen]] = defaultdict(list)
    for batch_pk, pk, state, confirmed_on, emerged_on, is_treated in rows:
        given, gassed = (tuple(at for (at,) in of[pk]) if is_treated else () for of in (doses, gas))
        seen = tuple((day, finding) for day, finding in checks[pk]) if batch_pk in begun else ()
        queens[batch_pk].append(_Queen(state, confirmed_on, emerged_on, given, gassed, seen))
    places: dict[int, list[_Place]] = defaultdict(list)
    for batch_pk, *place in _held_by(pks):
        places[batch_pk].append(_Place(*place))
    return {batch.pk: _events(batch, queens[batch.pk], places[batch.pk]) for batch in batches}


def _events(batch: QueenBatch, queens: Sequence[_Queen], places: Sequence[_Place]) -> BatchEvents:
    # Queens that are still there stand for their batch, and all of them when none is.
    there = [queen for queen in queens if queen.state not in AWAY] or queens
    dosed = [queen for queen in there if queen.doses] or [queen for queen in queens if queen.doses]
    shared = _shared(batch, there, places)
    if not dosed:
        return shared
    eggs_on = _eggs_of_all(batch, queens)
    behind = furthest_behind(_her_record(batch, queen, eggs_on) for queen in dosed)
    return replace(
        shared,
        co2_at=behind.co2_at,
        doses_at=behind.doses_at,
        eggs_seen_on=behind.eggs_seen_on,
        sealed_brood_on=behind.sealed_brood_on,
    )


def events_of_queen(queen: BatchQueen, *, batch: QueenBatch) -> BatchEvents:
    """What is on record of one queen: her own emergence, place, gas, doses, eggs and brood.

    `batch` : a row of `batches_with_facts` that holds her, so that nothing is read anew.
    """
    places = [place for place in held_places(batch) if place.batch_queen_id == queen.pk]
    she = _queen_in(queen)
    shared = _shared(batch, [she], [_place_in(place) for place in places])
    her = _her_record(batch, she, _eggs_of_all(batch, _queens_in(batch)))
    doses = her.doses_at
    coming = [place for place in places if place.state == PlaceState.HELD]
    return replace(
        shared,
        excluder_on=batch.excluder_on or queen.excluder_confirmed_on,
        is_split_dose=len({place.session_id for place in places}) > 1
        or (bool(doses) and bool(coming))
        or any(dose.second_planned for dose in _doses(queen)),
        co2_at=her.co2_at,
        doses_at=doses,
        eggs_seen_on=her.eggs_seen_on,
        sealed_brood_on=her.sealed_brood_on,
        closed_on=batch.closed_on or (queen.queen.gone_on if queen.state == BenchState.LOST else None),
    )


@dataclass(frozen=True)
class AfterSession:
    """Queens first inseminated in one bench session, with the events of the one furthest behind."""

    session_id: int
    queens: tuple[BatchQueen, ...]
    events: BatchEvents


def events_after_sessions(batch: QueenBatch, events: BatchEvents) -> list[AfterSession]:
    """Return what follows each bench session, for the queens that had their first dose there and are still there.

    Day 0 and the follow-up CO2 count from the real end of the last queen's gas at that bench, else from her dose.
    """
    ends: dict[int, dt.datetime] = {}
    queens: dict[int, list[BatchQueen]] = defaultdict(list)
    doses = Dose.objects.filter(batch_queen__batch=batch, undone_at__isnull=True)
    for session_id, given_at in doses.values_list("session_id", "given_at"):
        ends[session_id] = max(ends.get(session_id, given_at), given_at)
    gas = Co2Treatment.objects.filter(
        batch_queen__batch=batch, undone_at__isnull=True, ended_at__isnull=False, with_insemination=True
    )
    for dosed_in, ended_at in gas.values_list("session_id", "ended_at"):
        if dosed_in in ends and ended_at is not None:
            ends[dosed_in] = max(ends[dosed_in], ended_at)
    for queen in batch.batch_queens.all():
        hers = _doses(queen)
        if hers and queen.state not in AWAY:
            queens[hers[0].session_id].append(queen)
    eggs_on = _eggs_of_all(batch, _queens_in(batch))
    found = []
    for session_id, members in sorted(queens.items()):
        behind = furthest_behind(
            replace(record, doses_at=(ends[session_id], *record.doses_at[1:]))
            for record in (_her_record(batch, _queen_in(queen), eggs_on) for queen in members)
        )
        of_session = replace(
            events,
            bench_at=None,
            co2_at=behind.co2_at,
            doses_at=behind.doses_at,
            eggs_seen_on=behind.eggs_seen_on,
            sealed_brood_on=behind.sealed_brood_on,
        )
        found.append(AfterSession(session_id, tuple(members), of_session))
    return found


def furthest_behind(records: Iterable[BatchEvents]) -> BatchEvents:
    """The record that still asks for most: no brood, no eggs, fewest treatments, latest insemination."""
    return min(
        records,
        key=lambda record: (
            record.sealed_brood_on is not None,
            record.eggs_seen_on is not None,
            len(record.co2_at) + len(record.doses_at),
            -record.doses_at[0].timestamp(),
        ),
    )


def _shared(batch: QueenBatch, queens: Sequence[_Queen], places: Sequence[_Place]) -> BatchEvents:
    """All but what happened at the bench and after it to single queens."""
    standing = [place for place in places if place.state != PlaceState.NOT_USED]
    first = min(standing, key=lambda place: place.starts_at, default=None)
    sides = {place.co2_before for place in standing if place.state == PlaceState.HELD}
    confirmed = [queen.confirmed_on for queen in queens]
    all_confirmed = max((day for day in confirmed if day), default=None) if all(confirmed) else None
    # Treatments follow each other on one queen, not along the batch: the queen with the fewest stands for all.
    co2_at = min((queen.gas for queen in queens if queen.gas), key=len, default=())
    return replace(
        recorded_of_batch(batch),
        emergences=_emergences(batch, queens),
        excluder_on=batch.excluder_on or all_confirmed,
        bench_on=first.day if first else None,
        bench_at=first.starts_at if first else None,
        co2_way=_way(sides),
        co2_at=_with_home(batch, co2_at),
    )


@asked_often
def _queens_of(batches: tuple[int, ...]) -> QuerySet[BatchQueen, Any]:
    """Last in a row: whether she had a dose, or gas."""
    treated = Exists(Dose.objects.filter(batch_queen=OuterRef("pk"), undone_at__isnull=True)) | Exists(
        gas_alone().filter(batch_queen=OuterRef("pk"))
    )
    queens = BatchQueen.objects.filter(batch__in=batches).annotate(treated=treated).order_by()
    return queens.values_list("batch", "pk", "state", "excluder_confirmed_on", "queen__emerged_on", "treated")


@asked_often
def _doses_to(queens: tuple[int, ...]) -> QuerySet[Dose, Any]:
    doses = Dose.objects.filter(batch_queen__in=queens, undone_at__isnull=True)
    return doses.order_by("given_at", "pk").values_list("batch_queen", "given_at")


@asked_often
def _gas_for(queens: tuple[int, ...]) -> QuerySet[Co2Treatment, Any]:
    return gas_alone().filter(batch_queen__in=queens).order_by("ended_at").values_list("batch_queen", "ended_at")


@asked_often
def _checks_of(queens: tuple[int, ...]) -> QuerySet[QueenCheck, Any]:
    checks = QueenCheck.objects.filter(batch_queen__in=queens, replaced_by__isnull=True)
    return checks.order_by().values_list("batch_queen", "checked_on", "finding")


@asked_often
def _held_by(batches: tuple[int, ...]) -> QuerySet[BenchPlace, Any]:
    held = BenchPlace.objects.filter(booking__batch__in=batches).exclude(state__in=NO_PLACES)
    held = held.order_by("booking__asked_at", "booking", "session__day", "position")
    return held.values_list("booking__batch", "state", "co2_before", "session__starts_at", "session__day")


def gas_alone() -> QuerySet[Co2Treatment]:
    """Treatments that have ended, besides those on the hook."""
    return Co2Treatment.objects.filter(undone_at__isnull=True, ended_at__isnull=False, with_insemination=False)


def _by_queen(rows: Iterable[tuple[Any, ...]]) -> dict[int, list[tuple[Any, ...]]]:
    found: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    for queen, *what in rows:
        found[queen].append(tuple(what))
    return found


def recorded_of_batch(batch: QueenBatch) -> BatchEvents:
    """What stands in the batch's own row, without its queens, places and treatments. Reads nothing."""
    emergences: tuple[Emergence, ...] = ()
    if batch.emerged_on is not None:
        emergences = (Emergence(on=batch.emerged_on, hour=batch.emerged_hour, virgins=batch.virgins_emerged),)
    return BatchEvents(
        zone=zone_name_of_batch(batch),
        wanted_bench_on=batch.wanted_bench_on,
        planned_graft_on=batch.planned_graft_on,
        confined_on=batch.confined_on,
        grafted_on=batch.grafted_on,
        grafted_hour=batch.grafted_hour,
        cells_grafted=batch.cells_grafted,
        counted_on=batch.counted_on,
        cells_started=batch.cells_started,
        sealed_on=batch.sealed_on,
        cell_temperature_c=batch.cell_temperature_c,
        caged_on=batch.caged_on,
        emergences=emergences,
        excluder_on=batch.excluder_on,
        co2_at=_with_home(batch, ()),
        eggs_seen_on=batch.eggs_seen_on,
        closed_on=batch.closed_on,
    )


def _emergences(batch: QueenBatch, queens: Iterable[_Queen]) -> tuple[Emergence, ...]:
    """The days on which these queens emerged, each with how many; the batch's own day when it has no queens."""
    if batch.emerged_on is None:
        return ()
    return emergences_on(batch, Counter(queen.emerged_on or batch.emerged_on for queen in queens))


def emergences_on(batch: QueenBatch, days: Mapping[dt.date, int]) -> tuple[Emergence, ...]:
    """The same from how many emerged on each day."""
    if not days:
        return recorded_of_batch(batch).emergences
    return tuple(
        Emergence(on=day, hour=batch.emerged_hour if day == batch.emerged_on else None, virgins=number)
        for day, number in sorted(days.items())
    )


def _way(sides: set[bool]) -> Co2Way | None:
    if not sides:
        return None
    if len(sides) == 2:
        return Co2Way.BOTH
    return Co2Way.BEFORE if True in sides else Co2Way.AFTER


def _her_record(batch: QueenBatch, queen: _Queen, eggs_of_all: dt.date | None) -> BatchEvents:
    """What happened at the bench and after it, without the days before."""
    zone = zone_name_of_batch(batch)
    inseminated_on = local_day(min(queen.doses), zone) if queen.doses else None

    def first(days: Iterable[dt.date]) -> dt.date | None:
        """Since she was inseminated, where there is such a day: what was seen before tells nothing of it."""
        days = sorted(days)
        since = (day for day in days if inseminated_on is None or day > inseminated_on)
        return next(since, days[0] if days else None)

    return BatchEvents(
        zone=zone,
        co2_at=_with_home(batch, queen.gas),
        doses_at=queen.doses,
        eggs_seen_on=first(queen.eggs) or (None if queen.checks else eggs_of_all),
        sealed_brood_on=first(day for day, finding in queen.checks if finding in BROOD),
    )


def _eggs_of_all(batch: QueenBatch, queens: Iterable[_Queen]) -> dt.date | None:
    """The day on which eggs were written down for the whole batch; None when it came from looking at one queen."""
    return None if any(batch.eggs_seen_on in queen.eggs for queen in queens) else batch.eggs_seen_on


def _queens_in(batch: QueenBatch) -> list[_Queen]:
    return [_queen_in(queen) for queen in batch.batch_queens.all()]


def _queen_in(queen: BatchQueen) -> _Queen:
    return _Queen(
        queen.state,
        queen.excluder_confirmed_on,
        queen.queen.emerged_on,
        tuple(dose.given_at for dose in _doses(queen)),
        tuple(sorted(row.ended_at for row in queen.co2_treatments.all() if row.ended_at and not row.with_insemination)),
        tuple((check.checked_on, check.finding) for check in queen.checks.all()),
    )


def _place_in(place: BenchPlace) -> _Place:
    return _Place(place.state, place.co2_before, place.session.starts_at, place.session.day)


def _doses(queen: BatchQueen) -> list[Dose]:
    return sorted(queen.doses.all(), key=lambda dose: (dose.given_at, dose.pk))


def _with_home(batch: QueenBatch, co2_at: Iterable[dt.datetime]) -> tuple[dt.datetime, ...]:
    return tuple(sorted({*co2_at, *([batch.first_co2_at] if batch.first_co2_at else [])}))
