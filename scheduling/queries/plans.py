"""Plans as the coordinator and the members see them."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import QuerySet

from accounts.access import Viewer
from accounts.models import Member
from accounts.models.job import OPEN_STATES
from scheduling.models import Booking, Placement, Plan, PlanPoolPart, PlanState, Season, SessionState

IN_FORCE = [PlanState.PUBLISHED, PlanState.CHANGED]
SKETCHES = [PlanState.SKETCH, PlanState.TO_CHECK]


def plans_seen_by(viewer: Viewer) -> QuerySet[Plan]:
    """Every plan for the coordinator, published ones for everybody else of the cooperative."""
    plans = Plan.objects.filter(season__cooperative=viewer.cooperative)
    return plans if viewer.is_coordinator else plans.filter(number__isnull=False)


def bare_plans(plans: QuerySet[Plan]) -> QuerySet[Plan]:
    """Without the problem that each was worked out from: it is long, kept for the record, and no page shows it."""
    return plans.defer("problem")


def plan_in_force(season: Season) -> Plan | None:
    return bare_plans(season.plans.filter(state__in=IN_FORCE)).first()


def plan_open_run(season: Season) -> Plan | None:
    """The sketch that is being worked out now, if there is one."""
    return Plan.objects.filter(season=season, state=PlanState.WORKING, job__state__in=OPEN_STATES).first()


def plan_latest_sketch(season: Season) -> Plan | None:
    return bare_plans(season.plans.filter(state__in=SKETCHES)).order_by("-created_at", "-pk").first()


@dataclass(frozen=True)
class Place:
    """Queens of a booking in a session, for comparing two plans. Of a mixture all its sources count."""

    session: int
    sources: tuple[int, ...]
    queens: int


@dataclass
class BookingChange:
    """What a new plan changes for one booking."""

    booking: Booking
    old: list[Placement] = field(default_factory=list)
    new: list[Placement] = field(default_factory=list)

    @property
    def kind(self) -> str:
        """given: had none; lost: has none now; moved: another day, source or number; kept."""
        if _places(self.old) == _places(self.new):
            return "kept"
        if not self.old:
            return "given"
        return "moved" if self.new else "lost"

    @property
    def queens_new(self) -> int:
        return sum(placement.queens for placement in self.new)


@dataclass
class MemberChange:
    """Who has to be told what when a plan is published."""

    member: Member
    changes: list[BookingChange]


def _places(placements: Iterable[Placement]) -> list[Place]:
    return _in_order(Place(p.session_id, _sources(p), p.queens) for p in placements)


def _in_order(places: Iterable[Place]) -> list[Place]:
    return sorted(places, key=lambda place: (place.session, place.sources, place.queens))


def _sources(placement: Placement) -> tuple[int, ...]:
    if placement.source_id is not None:
        return (placement.source_id,)
    return tuple(sorted(part.source_id for part in placement.pool.parts.all())) if placement.pool is not None else ()


def booking_changes(plan: Plan, before: Plan | None, *, only: Iterable[int] | None = None) -> list[BookingChange]:
    """Every booking that either plan places, with both its placements. `only` : keys of bookings; None: of all."""
    found: dict[int, BookingChange] = {}
    for old, source_plan in ((True, before), (False, plan)):
        if source_plan is None:
            continue
        rows = (
            _open_placements(source_plan)
            .filter(**({} if only is None else {"booking__in": only}))
            .select_related("booking__member", "booking__batch", "session__bench", "source", "pool")
            .prefetch_related("pool__parts__source")
            .order_by("session__day", "pk")
        )
        for placement in rows:
            change = found.setdefault(placement.booking_id, BookingChange(placement.booking))
            (change.old if old else change.new).append(placement)
    return sorted(found.values(), key=lambda change: (change.booking.member.name, change.booking.pk))


def _open_placements(plan: Plan) -> QuerySet[Placement]:
    """What is at the bench or done is no plan any more: only open sessions can change."""
    return plan.placements.filter(session__state=SessionState.OPEN)


def _moved_bookings(plan: Plan, before: Plan | None) -> list[int]:
    """Bookings whose places differ; most of a plan stays as it is, and is not read any further."""
    new, old = _places_of_bookings(plan), _places_of_bookings(before) if before is not None else {}
    return [booking for booking in {*new, *old} if _in_order(new.get(booking, [])) != _in_order(old.get(booking, []))]


def _places_of_bookings(plan: Plan) -> dict[int, list[Place]]:
    parts: dict[int, list[int]] = defaultdict(list)
    for pool, source in (
        PlanPoolPart.objects.filter(pool__plan=plan).order_by("source_id").values_list("pool", "source")
    ):
        parts[pool].append(source)
    found: dict[int, list[Place]] = defaultdict(list)
    rows = _open_placements(plan).values_list("booking", "session", "source", "pool", "queens")
    for booking, session, source, pool, queens in rows:
        sources = (source,) if source is not None else tuple(parts[pool] if pool is not None else ())
        found[booking].append(Place(session, sources, queens))
    return found


def member_changes(plan: Plan, before: Plan | None) -> list[MemberChange]:
    """Exactly those members whom publishing would change something for."""
    by_member: dict[int, MemberChange] = {}
    for change in booking_changes(plan, before, only=_moved_bookings(plan, before)):
        member = change.booking.member
        by_member.setdefault(member.pk, MemberChange(member, [])).changes.append(change)
    return list(by_member.values())
