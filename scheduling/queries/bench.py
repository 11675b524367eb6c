"""The bench as the operator sees it: the order, the lots and what they hold, the queen on the hook."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

from django.db.models import Prefetch, QuerySet

from accounts.access import Viewer
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Co2Treatment,
    Dose,
    DroneSource,
    DroneTally,
    LotMovement,
    LotState,
    MovementKind,
    PlaceState,
    SemenLot,
    SessionState,
    TallyOutcome,
)
from scheduling.planning.semen import Balance, SourceSemen
from scheduling.planning.timing import queen_age_days
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources import source_view

SESSIONS_AT_BENCH = [SessionState.OPEN, SessionState.RUNNING, SessionState.CLOSED]


def bench_sessions(viewer: Viewer) -> QuerySet[BenchSession]:
    """Sessions with places, for the people who work at the bench."""
    return (
        sessions_seen_by(viewer)
        .filter(state__in=SESSIONS_AT_BENCH, places__gt=0)
        .select_related("bench", "season__cooperative", "operator", "current_tip_source")
    )


@dataclass(frozen=True)
class LotView:
    """A lot with its tally and its balance, from rows that were not taken back."""

    lot: SemenLot
    tally: dict[str, int]
    balance: Balance

    @property
    def usable(self) -> int:
        return self.tally.get(TallyOutcome.USABLE, 0)

    @property
    def tried(self) -> int:
        return sum(self.tally.values())

    @property
    def gave_none(self) -> int:
        return self.tried - self.usable

    @property
    def left(self) -> int:
        return self.balance.left

    @property
    def is_open(self) -> bool:
        return self.lot.state in {LotState.OPEN, LotState.STORED}


def lot_views(lots: QuerySet[SemenLot]) -> list[LotView]:
    """Views of lots in a fixed number of queries."""
    rows = list(lots.select_related("source", "session__season__cooperative", "semen_batch"))
    ids = [lot.pk for lot in rows]
    tally: dict[int, dict[str, int]] = defaultdict(dict)
    for lot_id, outcome, drones in DroneTally.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "outcome", "drones"
    ):
        tally[lot_id][outcome] = tally[lot_id].get(outcome, 0) + drones
    moved: dict[int, dict[str, int]] = defaultdict(dict)
    for lot_id, kind, volume in LotMovement.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "kind", "volume_tenths"
    ):
        moved[lot_id][kind] = moved[lot_id].get(kind, 0) + volume
    dosed: dict[int, int] = defaultdict(int)
    for lot_id, volume in Dose.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "volume_tenths"
    ):
        dosed[lot_id] += volume
    return [LotView(lot, dict(tally[lot.pk]), _balance(moved[lot.pk], dosed[lot.pk])) for lot in rows]


def lot_view(lot: SemenLot) -> LotView:
    return lot_views(SemenLot.objects.filter(pk=lot.pk))[0]


def _balance(moved: dict[str, int], dosed: int) -> Balance:
    return Balance(
        collected=moved.get(MovementKind.COLLECTED, 0),
        mixed_in=moved.get(MovementKind.MIXED_IN, 0),
        dosed=dosed,
        mixed_out=moved.get(MovementKind.MIXED_OUT, 0),
        stored=moved.get(MovementKind.STORED, 0),
        discarded=moved.get(MovementKind.DISCARDED, 0),
        lost=moved.get(MovementKind.LOST, 0),
    )


def lots_of_session(session: BenchSession) -> list[LotView]:
    """Lots collected here, and stored lots of the same season that may still be used."""
    stored = SemenLot.objects.filter(
        session__season=session.season_id, session__bench=session.bench_id, state=LotState.STORED
    )
    return lot_views((SemenLot.objects.filter(session=session) | stored).distinct().order_by("opened_at", "pk"))


def semen_by_drone_queen(view: LotView) -> dict[int, SourceSemen]:
    """What the lot is made of, by drone-producing queen: its own source, or its mixture's shares."""
    lot = view.lot
    if lot.source is not None:
        return {lot.source.drone_queen_id: SourceSemen(max(1, view.balance.into), view.usable or None)}
    assert lot.semen_batch is not None
    return {
        share.drone_queen_id: SourceSemen(share.volume_tenths, share.drones) for share in lot.semen_batch.shares.all()
    }


def drone_ages(source: DroneSource, session: BenchSession) -> tuple[int | None, int | None]:
    """Youngest and oldest drones of a source that may be used at a session, from the calendar of its cohorts. [days]"""
    view = source_view(source, today=session.day, settings=settings_of(session.season))
    ages = [cohort.calendar.ages_on(session.day) for cohort in view.cohorts if cohort.is_ripe_on(session.day)]
    if not ages:
        return None, None
    return max(0, min(young for young, _old in ages)), max(old for _young, old in ages)


@dataclass(frozen=True)
class BenchRow:
    """One place in the order, with what has been done for its queen."""

    place: BenchPlace
    doses: list[Dose]
    treatments: list[Co2Treatment]

    @property
    def batch_queen(self) -> BatchQueen | None:
        return self.place.batch_queen

    @property
    def dosed_tenths(self) -> int:
        return sum(dose.volume_tenths for dose in self.doses)

    @property
    def state(self) -> str:
        return self.batch_queen.state if self.batch_queen else BenchState.WAITING

    @property
    def is_done(self) -> bool:
        return self.place.state != PlaceState.HELD or self.state in {
            BenchState.INSEMINATED,
            BenchState.SECOND_CO2,
            BenchState.SET_ASIDE,
            BenchState.LOST,
        }

    @property
    def running_gas(self) -> Co2Treatment | None:
        return next((treatment for treatment in self.treatments if treatment.ended_at is None), None)

    @property
    def first_co2(self) -> dt.datetime | None:
        """When the treatment before the insemination ended, if one is on record."""
        given = [t.ended_at for t in self.treatments if not t.with_insemination and t.ended_at is not None]
        batch = self.place.booking.batch
        return max(given, default=batch.first_co2_at)

    @property
    def age(self) -> int | None:
        """Her age on the bench day, in days."""
        emerged = self.batch_queen.queen.emerged_on if self.batch_queen else None
        return queen_age_days(emerged, self.place.session.day) if emerged else None


@dataclass(frozen=True)
class BenchPage:
    """Everything the bench page shows of one session."""

    session: BenchSession
    rows: list[BenchRow]
    lots: list[LotView]
    now_place: int | None

    @cached_property
    def current(self) -> BenchRow | None:
        """The queen chosen, else the one on the hook, else the next who waits."""
        chosen = next((row for row in self.rows if row.place.pk == self.now_place), None)
        on_hook = next((row for row in self.rows if row.state == BenchState.ON_HOOK), None)
        waiting = next((row for row in self.rows if not row.is_done and row.batch_queen is not None), None)
        return chosen or on_hook or waiting

    @cached_property
    def open_lots(self) -> list[LotView]:
        return [view for view in self.lots if view.is_open]

    @cached_property
    def lot(self) -> LotView | None:
        """The open lot to work with: of the current queen's source, else the last one opened."""
        source = self.current.place.source_id if self.current else None
        own = [view for view in self.open_lots if view.lot.source_id == source]
        return next(reversed(own or self.open_lots), None)

    @property
    def done(self) -> int:
        return sum(1 for row in self.rows if row.is_done)


def bench_page(session: BenchSession, *, place: int | None = None) -> BenchPage:
    places = (
        BenchPlace.objects.filter(session=session)
        .exclude(state=PlaceState.FREED)
        .select_related("session", "booking__batch__mother", "booking__member", "batch_queen__queen", "source", "pool")
        .prefetch_related(
            Prefetch("batch_queen__doses", Dose.objects.filter(undone_at__isnull=True, session=session)),
            Prefetch("batch_queen__co2_treatments", Co2Treatment.objects.filter(undone_at__isnull=True)),
        )
        .order_by("position")
    )
    rows = [
        BenchRow(
            place,
            list(place.batch_queen.doses.all()) if place.batch_queen else [],
            list(place.batch_queen.co2_treatments.all()) if place.batch_queen else [],
        )
        for place in places
    ]
    return BenchPage(session, rows, lots_of_session(session), place)
