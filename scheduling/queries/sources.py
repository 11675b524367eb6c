"""Drone sources and cohorts as a viewer may see them, with the calendar and counts that follow from them."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet, Sum

from accounts.access import Viewer
from accounts.models import AuditEntry
from accounts.queries.rows import rows_of
from scheduling.models import (
    BenchSession,
    Booking,
    CountKind,
    DroneCall,
    DroneCohort,
    DroneCount,
    DroneSource,
    LotPart,
    Season,
    SemenLot,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.facts import Settings
from scheduling.planning.supply import Emerged
from scheduling.planning.timing import (
    CohortCalendar,
    CohortEvents,
    CohortState,
    Note,
    cohort_calendar,
    cohort_state,
    drone_notes,
)
from scheduling.queries.learned import SeasonLearned
from scheduling.queries.plans import IN_FORCE
from scheduling.queries.season import settings_of

# From this state on capped brood can be counted; before it a missing count is no omission.
COUNTABLE = {CohortState.CAPPED, CohortState.EMERGING, CohortState.RIPENING, CohortState.RIPE, CohortState.FADING}
NOT_UNDONE = Q(tallies__undone_at__isnull=True)
BEST_KNOWN = [CountKind.SEEN, CountKind.EMERGED, CountKind.CAPPED, CountKind.PROMISED]


def sources_seen_by(viewer: Viewer) -> QuerySet[DroneSource]:
    """Sources serve the whole cooperative, so everybody in it sees them."""
    return DroneSource.objects.filter(season__cooperative=viewer.cooperative)


def cohorts_seen_by(viewer: Viewer) -> QuerySet[DroneCohort]:
    return DroneCohort.objects.filter(source__season__cooperative=viewer.cooperative)


def sources_with_facts(sources: QuerySet[DroneSource]) -> QuerySet[DroneSource]:
    of_pools = LotPart.objects.filter(source=OuterRef("pk"), undone_at=None)
    sources = sources.annotate(has_pools=Exists(of_pools))
    return sources.select_related("season__cooperative", "apiary", "member", "drone_queen").prefetch_related(
        "benches",
        rows_of("cohorts", DroneCohort.objects.order_by("number")),
        rows_of("cohorts__counts", DroneCount.objects.filter(replaced_by__isnull=True).order_by("-counted_on", "-pk")),
        rows_of("lots", lots_with_tallies()),
    )


def lots_with_tallies() -> QuerySet[SemenLot]:
    """Lots collected at a bench, each with the drones tried for it (`tried`)."""
    tried = Sum("tallies__drones", filter=NOT_UNDONE)
    return SemenLot.objects.select_related("session").annotate(tried=tried).order_by("session__day", "pk")


def _tried(lot: SemenLot) -> int:
    return lot.tried or 0  # type: ignore[attr-defined]


def zone_name_of_source(source: DroneSource) -> str:
    return (source.apiary.time_zone if source.apiary else "") or source.season.cooperative.time_zone


def zone_of_source(source: DroneSource) -> ZoneInfo:
    return ZoneInfo(zone_name_of_source(source))


def events_of_cohort(cohort: DroneCohort, *, zone: str, counts: Sequence[DroneCount] | None = None) -> CohortEvents:
    """What is on record of a cohort, as the calendar takes it. `counts`: given where they do not matter or are read."""
    if counts is None:
        counts = [count for count in cohort.counts.all() if count.replaced_by_id is None]
    capped = [count.counted_on for count in counts if count.kind == CountKind.CAPPED]
    alive = [count.counted_on for count in counts if count.kind in (CountKind.EMERGED, CountKind.SEEN)]
    return CohortEvents(
        zone=zone,
        promised_comb_on=cohort.promised_comb_on,
        comb_in_on=cohort.comb_in_on,
        laid_on=cohort.laid_on,
        capped_on=cohort.capped_on,
        emerged_on=cohort.emerged_on,
        capped_counted_on=max(capped, default=None),
        last_counted_on=max(alive, default=None),
        marked_on=cohort.marked_on,
        ended_on=cohort.ended_on,
    )


@dataclass(frozen=True)
class CohortView:
    """A cohort with what follows from its observations. taken: drones tried at the bench, by day. [drones]"""

    cohort: DroneCohort
    source: DroneSource
    events: CohortEvents
    settings: Settings
    today: dt.date
    learned: SeasonLearned
    taken: Mapping[dt.date, int] = field(default_factory=dict)
    emerged: dict[dt.date, Emerged | None] = field(default_factory=dict, compare=False, init=False)

    @cached_property
    def calendar(self) -> CohortCalendar:
        return cohort_calendar(self.events, self.settings)

    @cached_property
    def state(self) -> CohortState:
        return cohort_state(self.events, self.calendar, self.today)

    @cached_property
    def counts(self) -> list[DroneCount]:
        """Counts that hold, newest first."""
        return list(self.cohort.counts.all())

    @cached_property
    def count(self) -> DroneCount | None:
        """The count that says most about drones alive: seen before emerged before capped before promised."""
        for kind in BEST_KNOWN:
            for count in self.counts:
                if count.kind == kind:
                    return count
        return None

    @property
    def is_not_counted(self) -> bool:
        return self.state in COUNTABLE and all(count.kind == CountKind.PROMISED for count in self.counts)

    def is_ripe_on(self, day: dt.date) -> bool:
        """All its drones may be used that day, none too young and none too old."""
        return self.calendar.ripe_from <= day <= self.calendar.last_on and not self._ended_before(day)

    def _ended_before(self, day: dt.date) -> bool:
        return self.cohort.ended_on is not None and day > self.cohort.ended_on


@dataclass(frozen=True)
class SourceView:
    source: DroneSource
    settings: Settings
    today: dt.date
    learned: SeasonLearned
    reserves: dict[int | None, tuple[int, int]] = field(default_factory=dict, compare=False, init=False)

    @cached_property
    def cohorts(self) -> list[CohortView]:
        zone = zone_name_of_source(self.source)
        views = [
            CohortView(
                cohort, self.source, events_of_cohort(cohort, zone=zone), self.settings, self.today, self.learned
            )
            for cohort in self.source.cohorts.all()
        ]
        return self._with_taken(views)

    def _with_taken(self, views: list[CohortView]) -> list[CohortView]:
        """Drones tried at a bench came from the oldest cohort that was ripe that day: the bench notes no cohort."""
        taken: dict[int, dict[dt.date, int]] = {}
        for session, drones in self._brought:
            ripe = _oldest_ripe(views, session.day)
            if ripe is not None and drones:
                of_cohort = taken.setdefault(ripe.cohort.pk, {})
                of_cohort[session.day] = of_cohort.get(session.day, 0) + drones
        return [replace(view, taken=taken.get(view.cohort.pk, {})) for view in views]

    def oldest_ripe_on(self, day: dt.date) -> CohortView | None:
        """The cohort whose drones are taken that day."""
        return _oldest_ripe(self.cohorts, day)

    def still_called(self, session: int, drones: int) -> int:
        """Of so many drones that a session calls for, those not yet tried there: the others are gone already."""
        return max(0, drones - sum(brought for at, brought in self._brought if at.pk == session))

    @cached_property
    def _brought(self) -> list[tuple[BenchSession, int]]:
        """Drones that were tried at a bench, or put into a pool there."""
        return [(lot.session, _tried(lot)) for lot in self._lots] + self._pooled

    @property
    def _pooled(self) -> list[tuple[BenchSession, int]]:
        """Pools are rare: they are read, all of the season at once, where a source has been in one."""
        if not getattr(self.source, "has_pools", True):
            return []
        return self.learned.pooled.get(self.source.pk, [])

    @cached_property
    def _lots(self) -> list[SemenLot]:
        lots = list(self.source.lots.all())
        if all(hasattr(lot, "tried") for lot in lots):
            return lots
        return list(lots_with_tallies().filter(source=self.source))

    @property
    def state(self) -> str:
        if self.source.withdrawn_at is not None:
            return "withdrawn"
        return "on_hold" if self.source.hold_since is not None else "offered"

    @property
    def is_certificate_over(self) -> bool:
        until = self.source.health_valid_until
        return until is not None and until < self.today

    def is_ripe_on(self, day: dt.date) -> bool:
        return any(cohort.is_ripe_on(day) for cohort in self.cohorts)

    def comes_to(self, bench_id: int) -> bool:
        """Its drones can be brought to this bench; a source that names none comes to every bench."""
        return not self._own_benches or bench_id in self._own_benches

    @cached_property
    def _own_benches(self) -> frozenset[int]:
        return frozenset(bench.pk for bench in self.source.benches.all())

    def next_ripe_from(self, day: dt.date) -> dt.date | None:
        """The first day on or after `day` on which some cohort is ripe."""
        starts = [
            max(day, cohort.calendar.ripe_from)
            for cohort in self.cohorts
            if cohort.calendar.is_usable and cohort.calendar.last_on >= day and cohort.cohort.ended_on is None
        ]
        return min(starts, default=None)


def _oldest_ripe(views: Sequence[CohortView], day: dt.date) -> CohortView | None:
    ripe = [view for view in views if view.is_ripe_on(day)]
    return min(ripe, key=lambda view: (view.calendar.ripe_from, view.cohort.pk), default=None)


def source_views(
    sources: QuerySet[DroneSource], *, season: Season, today: dt.date, settings: Settings | None = None
) -> list[SourceView]:
    settings = settings or settings_of(season)
    views: list[SourceView] = []
    learned = SeasonLearned(season, settings, lambda: _with_the_others(views, season))
    views += [SourceView(source, settings, today, learned) for source in sources_with_facts(sources)]
    return views


def _with_the_others(views: Sequence[SourceView], season: Season) -> list[SourceView]:
    """All sources of the season, of which some are read already; in an order that does not depend on that."""
    if not views:
        return []
    known = {view.source.pk for view in views}
    others = sources_with_facts(season.sources.exclude(pk__in=known))
    all_of = [*views, *(replace(views[0], source=source) for source in others)]
    return sorted(all_of, key=lambda view: view.source.pk)


def called_days(source: DroneSource, *, today: dt.date) -> list[dt.date]:
    """Bench days to come for which the plan in force calls drones of this source."""
    calls = DroneCall.objects.filter(
        source=source, plan__state__in=IN_FORCE, session__day__gte=today, session__state=SessionState.OPEN
    )
    return sorted(set(calls.values_list("session__day", flat=True)))


def notes_of_source(view: SourceView) -> tuple[Note, ...]:
    """What no longer fits of the days its drones are called to, and what would."""
    if view.source.withdrawn_at is not None:
        return ()
    cohorts = {str(cohort.cohort): cohort.calendar for cohort in view.cohorts if cohort.cohort.ended_on is None}
    return drone_notes(cohorts, called_days(view.source, today=view.today), view.settings)


def bookings_relying_on(source: DroneSource) -> list[Booking]:
    """Open requests that accept this source, those with no other source first."""
    bookings = (
        Booking.objects.filter(accepted__source=source)
        .exclude(state__in=ENDED_BOOKINGS)
        .select_related("batch", "member")
        .prefetch_related("accepted")
    )
    return sorted(bookings, key=lambda booking: (len(booking.accepted.all()), booking.asked_at))


def history_of_source(source: DroneSource) -> QuerySet[AuditEntry]:
    cohorts = list(source.cohorts.values_list("pk", flat=True))
    return AuditEntry.objects.filter(
        Q(subject_type="scheduling.dronesource", subject_id=source.pk)
        | Q(subject_type="scheduling.dronecohort", subject_id__in=cohorts)
    ).order_by("-at", "-pk")


def history_of_cohort(cohort: DroneCohort) -> QuerySet[AuditEntry]:
    return AuditEntry.objects.filter(subject_type="scheduling.dronecohort", subject_id=cohort.pk)
