"""How the bench work turned out: one row a queen, from doses and checks that hold."""

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db.models import Max
from django.utils.translation import gettext as _

from accounts.access import Viewer, can_plan, can_work_bench
from accounts.models import Person
from accounts.queries.rows import rows_of
from breeding.models import Score
from scheduling.models import BatchQueen, BenchState, Co2Treatment, Dose, Finding, QueenCheck, SessionState
from scheduling.models.session import BenchSession
from scheduling.planning.control import wilson
from scheduling.planning.facts import Settings
from scheduling.planning.survival import Point, Seen, kaplan_meier, share_at
from scheduling.planning.timing import elapsed_hours, queen_age_days
from scheduling.queries.events import EGGS_OR_BROOD
from scheduling.queries.season import seasons_seen_by, settings_of

SMALL = 20  # fewer queens than this say little; the page says so
FEW = 5  # of fewer no share is given, only the counts
FAILED = {Finding.DRONE_BROOD, Finding.MIXED_BROOD}
GONE = {Finding.DEAD, Finding.NOT_FOUND}
ALIVE_AFTER_DAYS = 30


@dataclass(frozen=True)
class QueenOutcome:
    """One inseminated queen. `laying`, `living`: days since her first dose, None where nobody looked at her."""

    queen: BatchQueen
    session: BenchSession
    operator: Person | None
    source: str
    dose_tenths: int
    co2: str
    age: int | None
    lot_age: int
    leak_back: bool
    resistance: bool
    inseminated_on: dt.date
    is_good: bool | None
    laying: Seen | None
    living: Seen | None
    why_lost: str
    brood: tuple[int, int] | None


def outcomes_of(viewer: Viewer, *, season_id: int | None = None, operator_id: int | None = None) -> list[QueenOutcome]:
    """Queens given semen at closed sessions of the cooperative, in the order of their insemination."""
    doses = Dose.objects.filter(undone_at__isnull=True).order_by("given_at", "pk")
    queens = BatchQueen.objects.filter(
        doses__undone_at__isnull=True,
        doses__session__state=SessionState.CLOSED,
        batch__season__cooperative=viewer.cooperative,
    )
    if season_id is not None:
        queens = queens.filter(batch__season=season_id)
    rows = (
        queens.distinct()
        .select_related("queen", "batch__member")
        .prefetch_related(
            rows_of("doses", doses.select_related("lot__source", "session__bench", "given_by")),
            rows_of("checks", QueenCheck.objects.filter(replaced_by__isnull=True)),
            rows_of("co2_treatments", Co2Treatment.objects.filter(undone_at__isnull=True, ended_at__isnull=False)),
        )
    )
    scored = dict(
        Score.objects.filter(queen__batch_queen__in=queens, withdrawn_at__isnull=True)
        .order_by()
        .values_list("queen")
        .annotate(last=Max("scored_on"))
    )
    zone = ZoneInfo(viewer.cooperative.time_zone)
    settings = {season.pk: settings_of(season) for season in seasons_seen_by(viewer).prefetch_related("settings")}
    found = [_outcome(queen, zone, scored.get(queen.queen_id), settings[queen.batch.season_id]) for queen in rows]
    if operator_id is not None:
        found = [one for one in found if one.operator is not None and one.operator.pk == operator_id]
    return sorted(found, key=lambda one: (one.inseminated_on, one.session.pk, one.queen.pk))


def _outcome(queen: BatchQueen, zone: ZoneInfo, last_scored: dt.date | None, settings: Settings) -> QueenOutcome:
    doses = list(queen.doses.all())
    first = doses[0]
    day = first.given_at.astimezone(zone).date()
    checks = [check for check in queen.checks.all() if check.checked_on >= day]
    counted = [check for check in checks if check.brood_cells]
    emerged = queen.queen.emerged_on
    return QueenOutcome(
        queen=queen,
        session=first.session,
        operator=first.given_by,
        source=first.lot.source.name if first.lot.source else _("mixture"),
        dose_tenths=sum(dose.volume_tenths for dose in doses),
        co2=_co2(queen, first, settings),
        age=queen_age_days(emerged, day) if emerged else None,
        lot_age=max(0, (day - first.lot.opened_at.astimezone(zone).date()).days),
        leak_back=any(dose.leak_back for dose in doses),
        resistance=any(dose.resistance for dose in doses),
        inseminated_on=day,
        is_good=_is_good(queen, checks),
        laying=_laying(checks, day),
        living=_living(queen, checks, day, last_scored),
        why_lost=queen.state_reason if queen.state == BenchState.LOST else queen.queen.gone_reason,
        brood=(counted[-1].brood_alive or 0, counted[-1].brood_cells or 0) if counted else None,
    )


def _co2(queen: BatchQueen, first: Dose, settings: Settings) -> str:
    alone = [row.ended_at for row in queen.co2_treatments.all() if not row.with_insemination]
    home = queen.batch.first_co2_at
    ends = [end for end in [*alone, home] if end is not None]
    pair = settings.co2_pair_min_hours  # nearer than that, two work as one
    before = any(elapsed_hours(end, first.given_at) >= pair for end in ends)
    after = any(elapsed_hours(first.given_at, end) >= pair for end in ends)
    if before and after:
        return _("before and after")
    return _("before") if before else _("after") if after else _("not on record")


def _is_good(queen: BatchQueen, checks: Sequence[QueenCheck]) -> bool | None:
    """Sealed worker brood is success, drone or mixed brood and loss before any brood are not; eggs decide nothing."""
    brood = [check.finding for check in checks if check.finding in {Finding.WORKER_BROOD, *FAILED}]
    if brood:
        return brood[-1] == Finding.WORKER_BROOD
    if queen.state == BenchState.LOST or any(check.finding in GONE for check in checks):
        return False
    return None


def _laying(checks: Sequence[QueenCheck], day: dt.date) -> Seen | None:
    """Until eggs or brood were first seen; else until the last look without."""
    if not checks:
        return None
    seen = [check.checked_on for check in checks if check.finding in EGGS_OR_BROOD and check.checked_on > day]
    last = min(seen) if seen else checks[-1].checked_on
    return Seen((last - day).days, bool(seen))


def _living(queen: BatchQueen, checks: Sequence[QueenCheck], day: dt.date, last_scored: dt.date | None) -> Seen | None:
    """Until she was gone; else until she, or her colony's score, was last seen: no news is not life."""
    gone = [check.checked_on for check in checks if check.finding in GONE]
    gone_on = queen.queen.gone_on or (min(gone) if gone else None)
    if gone_on is not None and gone_on >= day:
        return Seen((gone_on - day).days, True)
    looked = [check.checked_on for check in checks] + ([last_scored] if last_scored and last_scored >= day else [])
    return Seen((max(looked) - day).days, False) if looked else None


@dataclass(frozen=True)
class OutcomeGroup:
    """Queens that share something. Shares are None where too few are known."""

    name: str
    rows: list[QueenOutcome]

    @property
    def known(self) -> int:
        return sum(1 for row in self.rows if row.is_good is not None)

    @property
    def good(self) -> int:
        return sum(1 for row in self.rows if row.is_good)

    @property
    def is_few(self) -> bool:
        return self.known < FEW

    @property
    def range(self) -> tuple[float, float] | None:
        """95 % interval of the share with worker brood."""
        return wilson(self.good, self.known) if self.known else None

    @property
    def laying(self) -> list[Point]:
        return kaplan_meier([row.laying for row in self.rows if row.laying is not None])

    @property
    def living(self) -> list[Point]:
        return kaplan_meier([row.living for row in self.rows if row.living is not None])

    @property
    def median_days(self) -> float | None:
        """The first day by which half of them lay."""
        return next((point.days for point in self.laying if point.share <= 0.5), None)

    @property
    def alive(self) -> Point | None:
        """None while nobody was followed so long, unless all are gone before."""
        point = share_at(self.living, ALIVE_AFTER_DAYS)
        followed = any(row.living is not None and row.living.days >= ALIVE_AFTER_DAYS for row in self.rows)
        return point if point is not None and (followed or point.share == 0) else None

    @property
    def brood(self) -> tuple[int, int] | None:
        """Cells with living brood, of those counted, of all queens together."""
        counted = [row.brood for row in self.rows if row.brood is not None]
        return (sum(alive for alive, _cells in counted), sum(cells for _alive, cells in counted)) if counted else None

    @property
    def leaked(self) -> int:
        return sum(1 for row in self.rows if row.leak_back)

    @property
    def resisted(self) -> int:
        return sum(1 for row in self.rows if row.resistance)


def _dose_band(row: QueenOutcome) -> str:
    limits = ((60, _("below 6 µl")), (80, _("6 to 7.9 µl")), (100, _("8 to 9.9 µl")))
    return next((words for limit, words in limits if row.dose_tenths < limit), _("10 µl and more"))


def _age_band(row: QueenOutcome) -> str:
    if row.age is None:
        return _("not known")
    limits = ((8, _("up to 7 days")), (11, _("8 to 10 days")), (13, _("11 and 12 days")))
    return next((words for limit, words in limits if row.age < limit), _("13 days and more"))


def _lot_band(row: QueenOutcome) -> str:
    limits = ((1, _("fresh, the same day")), (15, _("1 to 14 days")))
    return next((words for limit, words in limits if row.lot_age < limit), _("15 days and more"))


BY: dict[str, Callable[[QueenOutcome], str]] = {
    "all": lambda row: _("All"),
    "source": lambda row: row.source,
    "dose": _dose_band,
    "co2": lambda row: row.co2,
    "age": _age_band,
    "lot_age": _lot_band,
    "operator": lambda row: row.operator.name if row.operator else _("somebody who has left"),
}


def ways_to_group(viewer: Viewer) -> list[str]:
    """Work of single persons is the coordinator's to see, and each operator's own."""
    return [key for key in BY if key != "operator" or can_work_bench(viewer)]


def groups_of(rows: Sequence[QueenOutcome], by: str, viewer: Viewer) -> list[OutcomeGroup]:
    """In the order of names, never of success. An operator sees the own work, and all other operators as one."""
    name_of = BY[by]
    if by == "operator" and not can_plan(viewer):
        me = viewer.person.pk

        def name_of(row: QueenOutcome) -> str:
            return _("Your own") if row.operator is not None and row.operator.pk == me else _("All others")

    found: dict[str, list[QueenOutcome]] = defaultdict(list)
    for row in rows:
        found[name_of(row)].append(row)
    names = sorted(found) if by in {"source", "operator", "co2"} else sorted(found, key=lambda n: _first(found[n], by))
    return [OutcomeGroup(name, found[name]) for name in names]


def _first(rows: Sequence[QueenOutcome], by: str) -> int:
    figures = {"dose": "dose_tenths", "age": "age", "lot_age": "lot_age"}
    values = [getattr(row, figures[by]) for row in rows] if by in figures else [0]
    return min((value for value in values if value is not None), default=10**6)


def by_session(rows: Sequence[QueenOutcome]) -> list[tuple[BenchSession, OutcomeGroup]]:
    """Sessions with a known outcome, in the order of their days."""
    found: dict[int, list[QueenOutcome]] = defaultdict(list)
    sessions = {}
    for row in rows:
        found[row.session.pk].append(row)
        sessions[row.session.pk] = row.session
    ordered = sorted(sessions.values(), key=lambda session: (session.day, session.pk))
    groups = [(session, OutcomeGroup(str(session), found[session.pk])) for session in ordered]
    return [(session, group) for session, group in groups if group.known]
