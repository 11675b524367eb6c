"""Mean kinship that the season's matings would leave, held against the rise that the season allows."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import QuerySet

from breeding.queries.kinship import KinshipUse, ceiling_after, kinship_of
from scheduling.models import BenchPlace, Booking, Dose, PlaceState, Plan, Season, SessionState
from scheduling.models.booking import BookingState
from scheduling.queries.board import semen_parts
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
    asked = Booking.objects.filter(season=season).exclude(state__in=NOT_ASKED)
    mothers = {pk for pk in asked.order_by().values_list("batch__mother", flat=True) if pk is not None}
    sources = set(season.sources.filter(withdrawn_at=None).values_list("drone_queen_id", flat=True))
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
    places = BenchPlace.objects.filter(session__season=season, state=PlaceState.DONE).order_by("pk")
    alone = places.filter(source__isnull=False).values_list(
        "pk", "booking__batch__mother", "source__drone_queen", "dose_tenths"
    )
    pooled = places.filter(source__isnull=True, pool__isnull=False).select_related("booking__batch", "pool")
    given = _given(places)
    return [
        *(
            (mother, queen, part / sum(parts.values()), float(part))
            for place, mother, planned, tenths in alone
            if mother is not None and (parts := given.get(place) or {planned: tenths})
            for queen, part in parts.items()
        ),
        *(
            (place.booking.batch.mother_id, source.drone_queen_id, share, share * place.dose_tenths)
            for place in pooled.prefetch_related("pool__parts__source")
            for source, share in semen_parts(place)
        ),
    ]


def _given(places: QuerySet[BenchPlace]) -> dict[int, dict[int, int]]:
    """Tenths of a µl by place and drone-producing queen: at the bench it may have been another source's."""
    doses = Dose.objects.filter(place__in=places, undone_at__isnull=True, lot__source__isnull=False).order_by("pk")
    given: dict[int, dict[int, int]] = defaultdict(dict)
    for place, queen, tenths in doses.values_list("place", "lot__source__drone_queen", "volume_tenths"):
        if place is not None:
            given[place][queen] = given[place].get(queen, 0) + tenths
    return given


def _planned(plan: Plan) -> Iterable[_Mating]:
    placements = plan.placements.filter(session__state=SessionState.OPEN).order_by("pk")
    names = ("booking__batch__mother", "source__drone_queen", "queens", "booking__dose_tenths")
    for mother, queen, queens, tenths in placements.filter(source__isnull=False).values_list(*names):
        yield mother, queen, float(queens), float(queens * tenths)
    pooled = placements.filter(source__isnull=True).select_related("booking__batch", "pool")
    for placement in pooled.prefetch_related("pool__parts__source"):
        for source, share in semen_parts(placement):
            queens = share * placement.queens
            tenths = queens * placement.booking.dose_tenths
            yield placement.booking.batch.mother_id, source.drone_queen_id, queens, tenths


def _use(done: Sequence[_Mating], plan: Plan) -> KinshipUse:
    mothers: dict[int, float] = defaultdict(float)
    sources: dict[int, float] = defaultdict(float)
    for mother, source, queens, tenths in (*done, *_planned(plan)):
        mothers[mother] += queens
        sources[source] += tenths
    return dict(mothers), dict(sources)
