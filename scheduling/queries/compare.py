"""Two plans beside each other, both on the facts of now: who gains, who loses, at what price."""

from dataclasses import dataclass
from fractions import Fraction

from django.db.models import F, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Member
from scheduling.models import DroneSource, Plan, PlanState, Season
from scheduling.planning.measures import Measures, moved_queens
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Placement, Problem
from scheduling.queries.kinship import SeasonKinship, season_kinship
from scheduling.queries.plan_rows import pure_plan
from scheduling.queries.plan_words import Names, violation_words
from scheduling.queries.plans import IN_FORCE, SKETCHES, bare_plans, plan_in_force, plan_latest_sketch
from scheduling.queries.repair import told_plan
from scheduling.queries.worked_out import broken_rules, measures


@dataclass(frozen=True)
class ComparedPlan:
    """One side. `moved`: queens that the plan in force told of and that are not there; None without one."""

    plan: Plan
    pure: PurePlan
    measures: Measures
    bound: int | None
    gap_percent: float | None
    moved: int | None
    broken: list[str]
    kinship: SeasonKinship | None

    @property
    def lowest_percent(self) -> float | None:
        return _percent(self.measures.lowest)

    @property
    def tenth_percent(self) -> float | None:
        return _percent(self.measures.tenth)

    @property
    def effective_sources(self) -> float:
        return self.measures.effective_sources


@dataclass(frozen=True)
class MemberCompared:
    """`stay_elsewhere`: queens that have a place in both plans, but not the same."""

    member: Member
    asked: int
    first: int
    second: int
    stay_elsewhere: int

    @property
    def difference(self) -> int:
        return self.second - self.first


@dataclass(frozen=True)
class SourceCompared:
    """Shares of all semen of each plan, and what the coordinator aims at, in thousandths."""

    source: DroneSource
    first: int
    second: int
    target: int | None

    @property
    def target_percent(self) -> float | None:
        return None if self.target is None else self.target / 10

    @property
    def first_percent(self) -> float:
        return self.first / 10

    @property
    def second_percent(self) -> float:
        return self.second / 10


@dataclass(frozen=True)
class MemberGroup:
    title: str
    members: list[MemberCompared]


@dataclass(frozen=True)
class Comparison:
    first: ComparedPlan
    second: ComparedPlan
    losing: list[MemberCompared]
    gaining: list[MemberCompared]
    moving: list[MemberCompared]
    unchanged: int
    sources: list[SourceCompared]
    told: int

    @property
    def sides(self) -> tuple[ComparedPlan, ComparedPlan]:
        return self.first, self.second

    @property
    def groups(self) -> list[MemberGroup]:
        return [
            MemberGroup(_("Have fewer places"), self.losing),
            MemberGroup(_("Have more places"), self.gaining),
            MemberGroup(_("Have as many, but elsewhere"), self.moving),
        ]

    @property
    def finding(self) -> str:
        more = self.second.measures.served - self.first.measures.served
        names = {"first": self.first.plan, "second": self.second.plan, "n": abs(more)}
        if more == 0:
            return _("%(second)s serves as many queens as %(first)s") % names
        if more > 0:
            words = ngettext(
                "%(second)s serves %(n)d queen more than %(first)s",
                "%(second)s serves %(n)d queens more than %(first)s",
                abs(more),
            )
        else:
            words = ngettext(
                "%(second)s serves %(n)d queen fewer than %(first)s",
                "%(second)s serves %(n)d queens fewer than %(first)s",
                abs(more),
            )
        return words % names


def comparable_plans(season: Season) -> QuerySet[Plan]:
    """Sketches that are worked out, the newest first, then the numbered plans."""
    plans = season.plans.filter(state__in=SKETCHES) | season.plans.filter(number__isnull=False)
    rows = bare_plans(plans).defer("based_on__problem")
    return rows.select_related("created_by", "published_by", "job", "based_on").order_by(
        F("number").desc(nulls_first=True), "-created_at", "-pk"
    )


def usual_pair(season: Season) -> tuple[Plan | None, Plan | None]:
    """What somebody most likely wants to see: the plan in force and the newest sketch, else the two newest sketches."""
    in_force, sketch = plan_in_force(season), plan_latest_sketch(season)
    if in_force is not None and sketch is not None:
        return in_force, sketch
    newest = list(comparable_plans(season)[:2])
    return (newest[1], newest[0]) if len(newest) == 2 else (in_force or sketch, None)


def plan_title(plan: Plan) -> str:
    """How a plan is named in a list of choices."""
    about = {
        "plan": plan,
        "served": plan.result.get("served", 0),
        "requested": plan.result.get("requested", 0),
        "state": PlanState(plan.state).label,
    }
    if plan.state in IN_FORCE:
        return (
            ngettext(
                "%(plan)s, in force, %(served)s of %(requested)s queen",
                "%(plan)s, in force, %(served)s of %(requested)s queens",
                about["requested"],
            )
            % about
        )
    return (
        ngettext(
            "%(plan)s, %(state)s, %(served)s of %(requested)s queen",
            "%(plan)s, %(state)s, %(served)s of %(requested)s queens",
            about["requested"],
        )
        % about
    )


def comparison(season: Season, first: Plan, second: Plan, problem: Problem) -> Comparison:
    in_force = plan_in_force(season)
    told = told_plan(in_force, problem) if in_force is not None else None
    kinship, names = season_kinship(season, [first, second]), Names(problem)
    sides = [_side(plan, problem, told, found, names) for plan, found in zip((first, second), kinship, strict=True)]
    members = members_compared(problem, sides[0].pure, sides[1].pure)
    return Comparison(
        first=sides[0],
        second=sides[1],
        losing=sorted((m for m in members if m.difference < 0), key=lambda m: (m.difference, m.member.name)),
        gaining=sorted((m for m in members if m.difference > 0), key=lambda m: (-m.difference, m.member.name)),
        moving=[m for m in members if not m.difference and m.stay_elsewhere],
        unchanged=sum(not m.difference and not m.stay_elsewhere for m in members),
        sources=_sources(season, *sides),
        told=sum(placement.queens for placement in told.assign) if told is not None else 0,
    )


def _side(
    plan: Plan,
    problem: Problem,
    told: PurePlan | None,
    kinship: SeasonKinship | None,
    names: Names,
) -> ComparedPlan:
    pure = pure_plan(plan, problem)
    bound = plan.result.get("bound_served")
    return ComparedPlan(
        plan=plan,
        pure=pure,
        measures=measures(problem, pure),
        bound=bound,
        gap_percent=100 * float(plan.result["gap"]) if "gap" in plan.result else None,
        moved=moved_queens(told.assign, pure.assign) if told is not None else None,
        broken=[str(violation_words(violation, problem, names)) for violation in broken_rules(problem, pure)],
        kinship=kinship,
    )


def members_compared(problem: Problem, first: PurePlan, second: PurePlan) -> list[MemberCompared]:
    """Every member who asks, by name."""
    before, after = _queens_by_member(problem, first), _queens_by_member(problem, second)
    asked = _queens_asked(problem)
    member_of = {booking.id: booking.member for booking in problem.bookings}
    found = []
    members = Member.objects.filter(pk__in=[int(member.id) for member in problem.members]).order_by("name", "pk")
    old, new = _by_member(member_of, first), _by_member(member_of, second)
    for member in members:
        key = str(member.pk)
        elsewhere = moved_queens(old.get(key, []), new.get(key, [])) - max(0, before[key] - after[key])
        found.append(MemberCompared(member, asked[key], before[key], after[key], max(0, elsewhere)))
    return found


def _by_member(member_of: dict[str, str], plan: PurePlan) -> dict[str, list[Placement]]:
    found: dict[str, list[Placement]] = {}
    for placement in plan.assign:
        if placement.booking in member_of:
            found.setdefault(member_of[placement.booking], []).append(placement)
    return found


def _queens_asked(problem: Problem) -> dict[str, int]:
    asked = dict.fromkeys((member.id for member in problem.members), 0)
    for booking in problem.bookings:
        asked[booking.member] += booking.queens
    return asked


def _queens_by_member(problem: Problem, plan: PurePlan) -> dict[str, int]:
    member_of = {booking.id: booking.member for booking in problem.bookings}
    found = dict.fromkeys((member.id for member in problem.members), 0)
    for placement in plan.assign:
        if placement.booking in member_of:
            found[member_of[placement.booking]] += placement.queens
    return found


def _sources(season: Season, first: ComparedPlan, second: ComparedPlan) -> list[SourceCompared]:
    shares = [_permille(side.measures.volumes) for side in (first, second)]
    return [
        SourceCompared(source, shares[0].get(source.pk, 0), shares[1].get(source.pk, 0), source.share_target_permille)
        for source in season.sources.order_by("letter")
        if source.pk in shares[0] or source.pk in shares[1] or source.share_target_permille
    ]


def _permille(volumes: dict[str, int]) -> dict[int, int]:
    total = sum(volumes.values())
    return {int(source): round(1000 * volume / total) for source, volume in volumes.items()}


def _percent(share: Fraction | None) -> float | None:
    return None if share is None else float(100 * share)
