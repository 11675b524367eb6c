"""From rows to what the timing engine takes: what was observed of a batch, of one queen of it, after one bench session.

Queens of a batch go their own ways at the bench and after it. Where one calendar stands for several queens it is
that of the queen who is furthest behind: a step is done when it is done for all of them.
"""

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from scheduling.models import BatchQueen, BenchPlace, BenchState, Co2Treatment, Dose, Finding, PlaceState, QueenBatch
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


def events_of_batch(batch: QueenBatch) -> BatchEvents:
    """What is on record of a batch, as the calendar takes it. Cheap on rows of `batches_with_facts`."""
    queens = list(batch.batch_queens.all())
    there = there_or_all(queens)
    dosed = [queen for queen in there if _doses(queen)] or [queen for queen in queens if _doses(queen)]
    shared = _shared(batch, there, held_places(batch))
    if not dosed:
        return shared
    behind = furthest_behind(_her_record(batch, queen) for queen in dosed)
    return replace(
        shared,
        co2_at=behind.co2_at,
        doses_at=behind.doses_at,
        eggs_seen_on=behind.eggs_seen_on,
        sealed_brood_on=behind.sealed_brood_on,
    )


def there_or_all(queens: Sequence[BatchQueen]) -> list[BatchQueen]:
    """Queens that stand for their batch: those that are still there, and all of them when none is."""
    return [queen for queen in queens if queen.state not in AWAY] or list(queens)


def events_of_queen(queen: BatchQueen, *, batch: QueenBatch) -> BatchEvents:
    """What is on record of one queen: her own emergence, place, gas, doses, eggs and brood.

    `batch` : a row of `batches_with_facts` that holds her, so that nothing is read anew.
    """
    places = [place for place in held_places(batch) if place.batch_queen_id == queen.pk]
    shared = _shared(batch, [queen], places)
    her = _her_record(batch, queen)
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
    found = []
    for session_id, members in sorted(queens.items()):
        behind = furthest_behind(
            replace(record, doses_at=(ends[session_id], *record.doses_at[1:]))
            for record in (_her_record(batch, queen) for queen in members)
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


def _shared(batch: QueenBatch, queens: Sequence[BatchQueen], places: Sequence[BenchPlace]) -> BatchEvents:
    """All but what happened at the bench and after it to single queens."""
    treated = [_alone(queen) for queen in queens]
    # Treatments follow each other on one queen, not along the batch: the queen with the fewest stands for all.
    co2_at = min((times for times in treated if times), key=len, default=[])
    return _together(
        batch,
        emergences_of(batch, queens),
        [queen.excluder_confirmed_on for queen in queens],
        [_Place(place.state, place.co2_before, place.session.starts_at, place.session.day) for place in places],
        co2_at,
    )


class _Place(NamedTuple):
    state: str
    co2_before: bool
    starts_at: dt.datetime
    day: dt.date


def _together(
    batch: QueenBatch,
    emergences: tuple[Emergence, ...],
    confirmed: Sequence[dt.date | None],
    places: Sequence[_Place],
    co2_at: Sequence[dt.datetime],
) -> BatchEvents:
    standing = [place for place in places if place.state != PlaceState.NOT_USED]
    first = min(standing, key=lambda place: place.starts_at, default=None)
    sides = {place.co2_before for place in standing if place.state == PlaceState.HELD}
    all_confirmed = max((day for day in confirmed if day), default=None) if all(confirmed) else None
    return replace(
        recorded_of_batch(batch),
        emergences=emergences,
        excluder_on=batch.excluder_on or all_confirmed,
        bench_on=first.day if first else None,
        bench_at=first.starts_at if first else None,
        co2_way=_way(sides),
        co2_at=_with_home(batch, co2_at),
    )


def events_before_bench(batches: Sequence[QueenBatch]) -> dict[int, BatchEvents]:
    """As `events_of_batch`, of many batches at once of which no queen had a dose or gas yet, in two queries."""
    queens: dict[int, list[tuple[str, dt.date | None, dt.date | None]]] = defaultdict(list)
    rows = BatchQueen.objects.filter(batch__in=batches).order_by()
    for pk, state, confirmed_on, emerged_on in rows.values_list(
        "batch", "state", "excluder_confirmed_on", "queen__emerged_on"
    ):
        queens[pk].append((state, confirmed_on, emerged_on))
    places: dict[int, list[_Place]] = defaultdict(list)
    held = BenchPlace.objects.filter(booking__batch__in=batches).exclude(state__in=NO_PLACES)
    held_rows = held.order_by("booking__asked_at", "booking", "session__day", "position")
    names = ("booking__batch", "state", "co2_before", "session__starts_at", "session__day")
    for pk, *place in held_rows.values_list(*names):
        places[pk].append(_Place(*place))
    found = {}
    for batch in batches:
        there = [queen for queen in queens[batch.pk] if queen[0] not in AWAY] or queens[batch.pk]
        days: Counter[dt.date] = Counter()
        if batch.emerged_on is not None:
            days.update(emerged_on or batch.emerged_on for _state, _confirmed, emerged_on in there)
        emergences = emergences_on(batch, days) if batch.emerged_on is not None else ()
        confirmed = [confirmed for _state, confirmed, _emerged in there]
        found[batch.pk] = _together(batch, emergences, confirmed, places[batch.pk], [])
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


def emergences_of(batch: QueenBatch, queens: Iterable[BatchQueen]) -> tuple[Emergence, ...]:
    """The days on which these queens emerged, each with how many; the batch's own day when it has no queens."""
    if batch.emerged_on is None:
        return ()
    return emergences_on(batch, Counter(queen.queen.emerged_on or batch.emerged_on for queen in queens))


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


def _her_record(batch: QueenBatch, queen: BatchQueen) -> BatchEvents:
    """What happened at the bench and after it, without the days before."""
    checks = list(queen.checks.all())
    zone = zone_name_of_batch(batch)
    doses = tuple(dose.given_at for dose in _doses(queen))
    inseminated_on = local_day(min(doses), zone) if doses else None

    def first(findings: set[Finding]) -> dt.date | None:
        """Since she was inseminated, where there is such a day: what was seen before tells nothing of it."""
        days = sorted(check.checked_on for check in checks if check.finding in findings)
        since = (day for day in days if inseminated_on is None or day > inseminated_on)
        return next(since, days[0] if days else None)

    return BatchEvents(
        zone=zone,
        co2_at=_with_home(batch, _alone(queen)),
        doses_at=doses,
        eggs_seen_on=first(EGGS_OR_BROOD) or (None if checks else eggs_of_all(batch)),
        sealed_brood_on=first(BROOD),
    )


def eggs_of_all(batch: QueenBatch) -> dt.date | None:
    """The day on which eggs were written down for the whole batch; None when it came from looking at one queen."""
    from_checks = {
        check.checked_on
        for queen in batch.batch_queens.all()
        for check in queen.checks.all()
        if check.finding in EGGS_OR_BROOD
    }
    return None if batch.eggs_seen_on in from_checks else batch.eggs_seen_on


def _doses(queen: BatchQueen) -> list[Dose]:
    return sorted(queen.doses.all(), key=lambda dose: (dose.given_at, dose.pk))


def _alone(queen: BatchQueen) -> list[dt.datetime]:
    """Ends of her treatments besides those on the hook."""
    return sorted(row.ended_at for row in queen.co2_treatments.all() if row.ended_at and not row.with_insemination)


def _with_home(batch: QueenBatch, co2_at: Iterable[dt.datetime]) -> tuple[dt.datetime, ...]:
    return tuple(sorted({*co2_at, *([batch.first_co2_at] if batch.first_co2_at else [])}))
