"""The bench as the operator sees it: the order, the lots and what they hold, the queen on the hook."""

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

from django.db.models import Q, QuerySet

from accounts.access import Viewer
from accounts.queries.rows import rows_of
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    BenchState,
    Co2Treatment,
    Dose,
    DroneSource,
    LotMovement,
    LotState,
    MovementKind,
    PlaceState,
    SemenLot,
    SessionState,
    TipChange,
)
from scheduling.planning.facts import Settings
from scheduling.planning.timing import first_co2_of, queen_age_days
from scheduling.queries.bench_rules import first_co2_counts_from, planned_sources
from scheduling.queries.lots import LotView, lot_views
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources_at_hand import source_view
from scheduling.queries.words import and_words

SESSIONS_AT_BENCH = [SessionState.OPEN, SessionState.RUNNING, SessionState.CLOSED]


def bench_sessions(viewer: Viewer) -> QuerySet[BenchSession]:
    """Sessions with places, for the people who work at the bench."""
    return (
        sessions_seen_by(viewer)
        .filter(state__in=SESSIONS_AT_BENCH, places__gt=0)
        .select_related("bench", "season__cooperative", "operator", "current_tip_source")
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
    def planned(self) -> list[DroneSource]:
        return planned_sources(self.place)

    @property
    def planned_words(self) -> str:
        return and_words([str(source) for source in self.planned])

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
            "pool__parts__source",
            rows_of("batch_queen__doses", Dose.objects.filter(undone_at__isnull=True, session=session)),
            rows_of("batch_queen__co2_treatments", Co2Treatment.objects.filter(undone_at__isnull=True)),
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
