"""Second parts of split doses: for whom they are due, at which bench day."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, QuerySet

from accounts.queries.often import asked_often
from accounts.queries.rows import rows_of
from scheduling.models import BenchSession, Dose, QueenCheck, Season, SessionState
from scheduling.models.batch import BenchState
from scheduling.planning.facts import Settings
from scheduling.planning.timing import elapsed_after, elapsed_hours
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.events import EGGS_OR_BROOD
from scheduling.queries.lots import weights_of_lot
from scheduling.queries.season import settings_of


@dataclass(frozen=True)
class SecondDose:
    """A queen whose first part is given and whose second part is due from `due_at` on: of what the first was of."""

    first: Dose
    due_at: dt.datetime

    def is_due_at(self, session: BenchSession) -> bool:
        """The bench day is the day it is due on, or a later one: the hour of the day follows the bench."""
        zone = ZoneInfo(session.season.cooperative.time_zone)
        return session.day >= self.due_at.astimezone(zone).date()


def second_doses_open(session: BenchSession) -> list[SecondDose]:
    """At this bench: planned, not given, of queens who are there and do not lay yet. The earliest due first."""
    settings = settings_of(session.season)
    firsts = (
        Dose.objects.filter(session__season=session.season_id, session__bench=session.bench_id)
        .exclude(session=session)
        .exclude(batch_queen__state__in=[BenchState.SET_ASIDE, BenchState.LOST])
    )
    return _open(firsts, settings)


def second_doses_at(session: BenchSession) -> list[SecondDose]:
    """Those due by the day of this session."""
    return [one for one in second_doses_open(session) if one.is_due_at(session)]


def second_doses_of(session: BenchSession) -> list[SecondDose]:
    """What the doses given at this session leave open."""
    firsts = Dose.objects.filter(session=session).exclude(
        batch_queen__state__in=[BenchState.SET_ASIDE, BenchState.LOST]
    )
    return _open(firsts, settings_of(session.season))


@dataclass
class Reserved:
    """What the second doses of one bench day take of it, whatever the plan says: places and semen of each source."""

    queens: int = 0
    tenths: dict[int, float] = field(default_factory=lambda: defaultdict(float))


def reserved_for_seconds(season: Season, *, settings: Settings | None = None) -> dict[int, Reserved]:
    """By open session of the season, where second doses are due; a running one has their places already."""
    if not _any_first(season.pk):
        return {}
    settings = settings or settings_of(season)
    seconds = _open(_firsts(season.pk), settings)
    if not seconds:
        return {}
    sessions = BenchSession.objects.filter(season=season, state__in=[SessionState.OPEN, SessionState.RUNNING])
    coming = list(sessions.select_related("season__cooperative").order_by("day", "starts_at"))
    found: dict[int, Reserved] = defaultdict(Reserved)
    dose = tenths_from_ul(settings.dose_split_ul)
    for second in seconds:
        first = second.first.session
        session = next(
            (one for one in coming if one.bench_id == first.bench_id and one.day > first.day and second.is_due_at(one)),
            None,
        )
        if session is None or session.state == SessionState.RUNNING:
            continue
        found[session.pk].queens += 1
        for source, share in weights_of_lot(second.first.lot):
            found[session.pk].tenths[source] += dose * share
    return dict(found)


def _firsts(season: int) -> QuerySet[Dose]:
    firsts = Dose.objects.filter(session__season=season, second_planned=True, undone_at__isnull=True)
    return firsts.exclude(batch_queen__state__in=[BenchState.SET_ASIDE, BenchState.LOST])


@asked_often
def _any_first(season: int) -> QuerySet[Dose, tuple[int]]:
    return _firsts(season).order_by().values_list("pk")[:1]


def next_session_for(second: SecondDose) -> BenchSession | None:
    """The first bench day at the same bench on or after the day it is due."""
    first = second.first.session
    coming = BenchSession.objects.filter(
        season=first.season_id,
        bench=first.bench_id,
        day__gt=first.day,
        state__in=[SessionState.OPEN, SessionState.RUNNING],
    ).select_related("season__cooperative", "bench")
    return next((one for one in coming.order_by("day") if second.is_due_at(one)), None)


def _open(firsts: QuerySet[Dose], settings: Settings) -> list[SecondDose]:
    found = []
    spacing = settings.dose_split_spacing_hours
    lays = QueenCheck.objects.filter(
        batch_queen=OuterRef("batch_queen"), replaced_by__isnull=True, finding__in=EGGS_OR_BROOD
    )
    rows = (
        firsts.filter(~Exists(lays), second_planned=True, undone_at__isnull=True)
        .select_related(
            "batch_queen__queen",
            "batch_queen__batch__member",
            "session__season__cooperative",
            "place",
            "lot",
        )
        .prefetch_related(rows_of("batch_queen__doses", Dose.objects.filter(undone_at__isnull=True)))
    )
    for dose in rows.order_by("given_at", "pk"):
        later = [one for one in dose.batch_queen.doses.all() if one.given_at > dose.given_at]
        if not any(elapsed_hours(dose.given_at, one.given_at) >= spacing / 2 for one in later):
            found.append(SecondDose(dose, elapsed_after(dose.given_at, spacing)))
    return found
