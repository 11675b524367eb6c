"""The bench as the operator sees it: the order, the lots and what they hold, the queen on the hook."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

from django.db.models import Prefetch, Q, QuerySet

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
    LotPart,
    LotState,
    MovementKind,
    PlaceState,
    SemenLot,
    SessionState,
    TallyOutcome,
    TipChange,
)
from scheduling.planning.facts import Settings
from scheduling.planning.semen import Balance, SourceSemen, add_up, split_whole
from scheduling.planning.timing import first_co2_of, queen_age_days
from scheduling.queries.bench_rules import first_co2_counts_from
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources import source_view

OUT_OF_STORE = {MovementKind.MIXED_OUT, MovementKind.DISCARDED, MovementKind.LOST}
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
    def free(self) -> int:
        """What can be taken out of it now: of a stored lot also what is stored. [0.1 µl]"""
        return self.left if self.lot.state == LotState.STORED else self.balance.unexplained

    @property
    def is_open(self) -> bool:
        return self.lot.state in {LotState.OPEN, LotState.STORED}


def lot_views(lots: QuerySet[SemenLot]) -> list[LotView]:
    """Views of lots in a fixed number of queries."""
    related = lots.select_related("source", "session__bench", "session__season__cooperative", "semen_batch")
    rows = list(related.prefetch_related(parts_that_count()))
    ids = [lot.pk for lot in rows]
    tally: dict[int, dict[str, int]] = defaultdict(dict)
    for lot_id, outcome, drones in DroneTally.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "outcome", "drones"
    ):
        tally[lot_id][outcome] = tally[lot_id].get(outcome, 0) + drones
    by_id = {lot.pk: lot for lot in rows}
    moved: dict[int, dict[str, int]] = defaultdict(dict)
    from_store: dict[int, int] = defaultdict(int)
    for lot_id, kind, volume, at in LotMovement.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "kind", "volume_tenths", "at"
    ):
        moved[lot_id][kind] = moved[lot_id].get(kind, 0) + volume
        closed_at = by_id[lot_id].closed_at
        if kind in OUT_OF_STORE and closed_at is not None and at > closed_at:
            from_store[lot_id] += volume
    dosed: dict[int, int] = defaultdict(int)
    for lot_id, volume, session_id in Dose.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "volume_tenths", "session_id"
    ):
        dosed[lot_id] += volume
        if session_id != by_id[lot_id].session_id:
            from_store[lot_id] += volume
    return [
        LotView(lot, dict(tally[lot.pk]), _balance(moved[lot.pk], dosed[lot.pk], from_store[lot.pk])) for lot in rows
    ]


def parts_that_count() -> "Prefetch[str]":
    """Parts of pools, without those that a correction took back."""
    return Prefetch("parts", LotPart.objects.filter(undone_at__isnull=True).select_related("source"))


def lot_view(lot: SemenLot) -> LotView:
    return lot_views(SemenLot.objects.filter(pk=lot.pk))[0]


def _balance(moved: dict[str, int], dosed: int, from_store: int) -> Balance:
    return Balance(
        collected=moved.get(MovementKind.COLLECTED, 0),
        mixed_in=moved.get(MovementKind.MIXED_IN, 0),
        dosed=dosed,
        mixed_out=moved.get(MovementKind.MIXED_OUT, 0),
        stored=moved.get(MovementKind.STORED, 0),
        discarded=moved.get(MovementKind.DISCARDED, 0),
        lost=moved.get(MovementKind.LOST, 0),
        from_store=from_store,
    )


def lots_of_session(session: BenchSession) -> list[LotView]:
    """Lots collected here, and stored lots of the same season that may still be used."""
    lots = SemenLot.objects.filter(session=session) | _stored_at_bench(session)
    return lot_views(lots.distinct().order_by("opened_at", "pk"))


def _stored_at_bench(session: BenchSession) -> QuerySet[SemenLot]:
    return SemenLot.objects.filter(
        session__season=session.season_id, session__bench=session.bench_id, state=LotState.STORED
    )


def lots_that_count(session: BenchSession) -> QuerySet[SemenLot]:
    """Lots of a session, without mixtures that were taken back: of those nothing is left but their tip."""
    return SemenLot.objects.filter(session=session).exclude(source=None, semen_batch=None, parts=None)


def used_at(session: BenchSession) -> Q:
    """Lots that some was given of at a session, or mixed."""
    mixed = LotMovement.objects.filter(other_lot__session=session, kind=MovementKind.MIXED_OUT, undone_at__isnull=True)
    return Q(pk__in=Dose.objects.filter(session=session).values("lot")) | Q(pk__in=mixed.values("lot"))


def store_of_session(session: BenchSession) -> list[LotView]:
    """Semen in store that a session may take from. How it is kept is in the keeper's own words, or not on record."""
    return [view for view in lot_views(_stored_at_bench(session).order_by("opened_at", "pk")) if view.left > 0]


def stored_lots(viewer: Viewer) -> list[LotView]:
    """Semen in store in the cooperative, the oldest first."""
    lots = SemenLot.objects.filter(state=LotState.STORED, session__season__cooperative=viewer.cooperative)
    return lot_views(lots.select_related("session__bench").order_by("opened_at", "pk"))


def semen_by_drone_queen(view: LotView) -> dict[int, SourceSemen]:
    """What the lot is made of, by drone-producing queen: its own source, its pool's drones, or its mixture's shares."""
    lot = view.lot
    parts = list(lot.parts.all())
    if parts:
        return add_up([{part.source.drone_queen_id: semen} for part, semen in _of_pool(view, parts)])
    if lot.source is not None:
        return {lot.source.drone_queen_id: SourceSemen(max(1, view.balance.into), view.usable or None)}
    assert lot.semen_batch is not None
    return {
        share.drone_queen_id: SourceSemen(share.volume_tenths, share.drones) for share in lot.semen_batch.shares.all()
    }


def _of_pool(view: LotView, parts: list[LotPart]) -> list[tuple[LotPart, SourceSemen]]:
    """Whose drone gave what is not known: semen and drones are split as the drones that were put together."""
    weights = [part.drones for part in parts]
    volumes = split_whole(max(len(parts), view.balance.into), weights)
    drones = split_whole(view.usable, weights) if view.usable else []
    return [
        (part, SourceSemen(volume, max(1, drones[number]) if drones else None))
        for number, (part, volume) in enumerate(zip(parts, volumes, strict=True))
        if volume
    ]


def sources_of_lot(lot: SemenLot) -> list[DroneSource]:
    """Every source whose semen is in the lot, through mixtures of mixtures."""
    found: dict[int, DroneSource] = {}
    seen: set[int] = set()
    edge = {lot.pk}
    while edge:
        seen |= edge
        for one in SemenLot.objects.filter(pk__in=edge).select_related("source").prefetch_related(parts_that_count()):
            own = [one.source] if one.source is not None else [part.source for part in one.parts.all()]
            found |= {source.pk: source for source in own}
        rows = LotMovement.objects.filter(lot__in=edge, kind=MovementKind.MIXED_IN, undone_at__isnull=True)
        edge = {pk for pk in rows.values_list("other_lot", flat=True) if pk is not None} - seen
    return sorted(found.values(), key=lambda source: source.letter)


def drone_ages(source: DroneSource, session: BenchSession) -> tuple[int | None, int | None]:
    """Youngest and oldest drones of a source that may be used at a session, from the calendar of its cohorts. [days]"""
    view = source_view(source, today=session.day, settings=settings_of(session.season))
    ages = [cohort.calendar.ages_on(session.day) for cohort in view.cohorts if cohort.is_ripe_on(session.day)]
    if not ages:
        return None, None
    return max(0, min(young for young, _old in ages)), max(old for _young, old in ages)


@dataclass(frozen=True)
class BenchRow:
    """One place in the order, with what has been done for its queen. `at`: when she may get her dose."""

    place: BenchPlace
    doses: list[Dose]
    treatments: list[Co2Treatment]
    at: dt.datetime
    settings: Settings

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
        """Dealt with here. Her second dose waits although she is inseminated."""
        if self.place.state != PlaceState.HELD or self.state in {BenchState.SET_ASIDE, BenchState.LOST}:
            return True
        return not self.place.is_second and self.state in {BenchState.INSEMINATED, BenchState.SECOND_CO2}

    @property
    def running_gas(self) -> Co2Treatment | None:
        return next((treatment for treatment in self.treatments if treatment.ended_at is None), None)

    @cached_property
    def first_co2(self) -> tuple[str, dt.datetime | None]:
        """Whether the treatment before the insemination makes a pair with it, and when that treatment ended."""
        given = [t.ended_at for t in self.treatments if not t.with_insemination and t.ended_at is not None]
        home = self.place.booking.batch.first_co2_at
        return first_co2_of(
            [*given, *([home] if home else [])],
            dosed_at=self.doses[0].given_at if self.doses else self.at,
            counts_from=first_co2_counts_from(self.place.session, self.settings),
            settings=self.settings,
        )

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
        """The open lot to work with: whose tip is in the holder, else of the queen's source, else the last one."""
        source = self.current.place.source_id if self.current else None
        own = [view for view in self.open_lots if view.lot.source_id == source]
        return next(reversed(self._in_holder or own or self.open_lots), None)

    @property
    def _in_holder(self) -> list[LotView]:
        """Open lots that the tip in the holder has touched: what is in the syringe."""
        tip, source = self.session.current_tip, self.session.current_tip_source_id
        if not tip:
            return []
        changes = TipChange.objects.filter(session=self.session, tip=tip).values_list("lot", flat=True)
        touched = set(changes)
        return [
            view
            for view in self.open_lots
            if view.lot.source_id == source
            and (view.lot.pk in touched or (view.lot.tip == tip and view.lot.session_id == self.session.pk))
        ]

    @property
    def done(self) -> int:
        return sum(1 for row in self.rows if row.is_done)


def bench_page(session: BenchSession, *, place: int | None = None, now: dt.datetime | None = None) -> BenchPage:
    settings = settings_of(session.season)
    at = max(session.starts_at, now or session.starts_at)
    places = (
        BenchPlace.objects.filter(session=session)
        .exclude(state=PlaceState.FREED)
        .select_related(
            "session__season__cooperative",
            "booking__batch__mother",
            "booking__member",
            "batch_queen__queen",
            "source",
            "pool",
        )
        .prefetch_related(
            "booking__accepted__source",
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
            at,
            settings,
        )
        for place in places
    ]
    return BenchPage(session, rows, lots_of_session(session), place)
