"""Mean kinship that the season's matings would leave, held against the rise that the season allows."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from operator import itemgetter
from typing import Any

from django.db.models import QuerySet

from accounts.queries.often import asked_often
from breeding.queries.kinship import KinshipUse, ceiling_after, kinship_of
from scheduling.models import BenchPlace, Booking, Dose, DroneSource, Placement, PlaceState, Plan, Season, SessionState
from scheduling.models.booking import BookingState
from scheduling.queries.season import settings_of

NOT_ASKED = [BookingState.NOT_SENT, BookingState.WITHDRAWN, BookingState.LAPSED]


@dataclass(frozen=True)
class SeasonKinship:
    """`expected`: of the generation these matings give. `now`: between the season's mothers and drone queens.

    `ceiling`: what the season's allowed rise makes of it; None where there is nothing to rise from.
    """

    expected: float
    now: float | None
    ceiling: float | None

    @property
    def is_over(self) -> bool:
        return self.ceiling is not None and self.expected > self.ceiling

    @property
    def expected_percent(self) -> float:
        return 100 * self.expected

    @property
    def now_percent(self) -> float | None:
        return None if self.now is None else 100 * self.now

    @property
    def ceiling_percent(self) -> float | None:
        return None if self.ceiling is None else 100 * self.ceiling


def season_kinship(season: Season, plans: Sequence[Plan]) -> list[SeasonKinship | None]:
    """For each plan, what it places in open sessions together with what is inseminated already; None without any.

    Candidates are all mothers of which places are asked for and all sources of the season, whatever a plan uses: so
    every plan is held against the same ceiling.
    """
    done = matings_done(season)
    uses = [_use(done, plan) for plan in plans]
    mothers = {pk for (pk,) in _mothers_asked(season.pk) if pk is not None}
    sources = {pk for (pk,) in _queens_offered(season.pk)}
    mothers |= {mother for of_mothers, _ in uses for mother in of_mothers}
    sources |= {source for _, of_sources in uses for source in of_sources}
    real = [use for use in uses if use[0] and use[1]]
    if not real:
        return [None] * len(plans)
    found = kinship_of(mothers, sources, real)
    rate = float(settings_of(season).inbreeding_rate_share)
    ceiling = None if found.now is None else ceiling_after(found.now, rate)
    expected = iter(found.of_uses)
    return [SeasonKinship(next(expected), found.now, ceiling) if use[0] and use[1] else None for use in uses]


_Mating = tuple[int, int, float, float]  # mother, drone-producing queen, queens, tenths of a µl


def matings_done(season: Season) -> list[_Mating]:
    """What was really given where semen is of one source, as planned where it is mixed."""
    given: dict[int, dict[int, int]] = defaultdict(dict)  # at the bench it may have been another source's
    for place, queen, tenths in _given(season.pk):
        given[place][queen] = given[place].get(queen, 0) + tenths
    return [
        *(
            (mother, queen, part / sum(parts.values()), float(part))
            for place, mother, planned, tenths in _done_alone(season.pk)
            if mother is not None and (parts := given.get(place) or {planned: tenths})
            for queen, part in parts.items()
        ),
        *_mixed((pk, mother, 1, tenths, queen, part) for pk, mother, tenths, queen, part in _done_mixed(season.pk)),
    ]


def _planned(plan: Plan) -> Iterable[_Mating]:
    for mother, queen, queens, tenths in _planned_alone(plan.pk):
        yield mother, queen, float(queens), float(queens * tenths)
    yield from _mixed(_planned_mixed(plan.pk))


def _mixed(rows: Iterable[tuple[int, int, int, int, int, Decimal]]) -> Iterable[_Mating]:
    """Of rows (place, mother, queens, dose in tenths of a µl, drone-producing queen, her part of the mixture)."""
    for _place, group in groupby(rows, key=itemgetter(0)):
        parts = list(group)
        whole = sum(part for *_row, part in parts)
        for _pk, mother, queens, tenths, queen, part in parts:
            share = float(part / whole) * queens
            yield mother, queen, share, share * tenths


@asked_often
def _mothers_asked(season: int) -> QuerySet[Booking, Any]:
    asked = Booking.objects.filter(season=season).exclude(state__in=NOT_ASKED)
    return asked.order_by().values_list("batch__mother").distinct()


@asked_often
def _queens_offered(season: int) -> QuerySet[DroneSource, Any]:
    return DroneSource.objects.filter(season=season, withdrawn_at=None).order_by().values_list("drone_queen")


def _done(season: int) -> QuerySet[BenchPlace]:
    return BenchPlace.objects.filter(session__season=season, state=PlaceState.DONE)


@asked_often
def _done_alone(season: int) -> QuerySet[BenchPlace, Any]:
    places = _done(season).filter(source__isnull=False).order_by("pk")
    return places.values_list("pk", "booking__batch__mother", "source__drone_queen", "dose_tenths")


@asked_often
def _done_mixed(season: int) -> QuerySet[BenchPlace, Any]:
    places = _done(season).filter(source__isnull=True, pool__parts__isnull=False).order_by("pk", "pool__parts__pk")
    of_parts = ["pool__parts__source__drone_queen", "pool__parts__volume_tenths"]
    return places.values_list("pk", "booking__batch__mother", "dose_tenths", *of_parts)


@asked_often
def _given(season: int) -> QuerySet[Dose, Any]:
    """Of the places that are done: whose semen, and tenths of a µl of it."""
    doses = Dose.objects.filter(place__session__season=season, place__state=PlaceState.DONE, undone_at__isnull=True)
    of_one = doses.filter(lot__source__isnull=False).order_by("pk")
    return of_one.values_list("place", "lot__source__drone_queen", "volume_tenths")


def _open_placements(plan: int) -> QuerySet[Placement]:
    return Placement.objects.filter(plan=plan, session__state=SessionState.OPEN)


@asked_often
def _planned_alone(plan: int) -> QuerySet[Placement, Any]:
    alone = _open_placements(plan).filter(source__isnull=False).order_by("pk")
    return alone.values_list("booking__batch__mother", "source__drone_queen", "queens", "booking__dose_tenths")


@asked_often
def _planned_mixed(plan: int) -> QuerySet[Placement, Any]:
    mixed = _open_placements(plan).filter(source__isnull=True, pool__parts__isnull=False)
    of_parts = ["pool__parts__source__drone_queen", "pool__parts__volume_tenths"]
    rows = mixed.order_by("pk", "pool__parts__pk")
    return rows.values_list("pk", "booking__batch__mother", "queens", "booking__dose_tenths", *of_parts)


def _use(done: Sequence[_Mating], plan: Plan) -> KinshipUse:
    mothers: dict[int, float] = defaultdict(float)
    sources: dict[int, float] = defaultdict(float)
    for mother, source, queens, tenths in (*done, *_planned(plan)):
        mothers[mother] += queens
        sources[source] += tenths
    return dict(mothers), dict(sources)
