"""Sketches and published plans: hand moves held by the checker, publishing that tells exactly those concerned."""

import datetime as dt
import math
from collections import defaultdict
from dataclasses import replace

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    DroneCall,
    DroneSource,
    Placement,
    PlaceState,
    Plan,
    PlanState,
    Season,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.checker import check, check_move
from scheduling.planning.moves import Move, co2_of, plan_after_move
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Placement as PurePlacement
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import first_day_of, plan_rows_write, pure_placement, pure_plan
from scheduling.queries.plan_words import reason_words, violation_words
from scheduling.queries.plans import IN_FORCE, SKETCHES, BookingChange, booking_changes, plan_in_force
from scheduling.queries.problem import facts_mark, problem_of
from scheduling.services.places import places_assign_queens
from scheduling.services.plan_reminders import reminders_of_plan
from scheduling.services.plan_results import plan_results_refresh


def plan_sketch_from(plan: Plan, *, by: Person, now: dt.datetime) -> Plan:
    """A sketch to change by hand, starting from a published plan."""
    with transaction.atomic():
        sketch = Plan.objects.create(
            season=plan.season,
            state=PlanState.SKETCH,
            based_on=plan,
            problem=plan.problem,
            facts_mark=plan.facts_mark,
            result=plan.result,
            no_full_fit=plan.no_full_fit,
            created_at=now,
            created_by=by,
        )
        problem = problem_of(plan.season, now=now)
        plan_rows_write(sketch, pure_plan(plan, problem), problem)
        plan_results_refresh(sketch, problem)
        sketch.save(update_fields=["result", "no_full_fit"])
        audit_record(sketch, action="plan.sketch", by=by, now=now, cooperative=plan.season.cooperative)
    return sketch


def plan_move(
    plan: Plan,
    *,
    booking: Booking,
    session: BenchSession,
    source: DroneSource,
    queens: int,
    taken_from: Placement | None = None,
    version: int | None = None,
    by: Person,
    now: dt.datetime,
) -> Plan:
    """Move queens by hand. Refused, with the rule named, when the checker finds that it breaks one."""
    with transaction.atomic():
        plan, problem = _locked_sketch(plan, version=version, now=now)
        first = first_day_of(problem)
        if session.day < first:
            raise Refusal(_("%(session)s is past.") % {"session": session}, field="session", rule="session_past")
        move = Move(
            booking=str(booking.pk),
            bench=str(session.bench_id),
            day=(session.day - first).days,
            queens=queens,
            source=str(source.pk),
            taken_from=pure_placement(taken_from, first) if taken_from else None,
        )
        pure = pure_plan(plan, problem)
        try:
            violations = check_move(problem, pure, move)
        except ValueError as error:
            raise Refusal(
                _("There are not so many queens to move from there. Enter fewer."), field="queens", rule="queens"
            ) from error
        if violations:
            raise Refusal(violation_words(violations[0], problem), field="session", rule=violations[0].rule)
        before = _told(plan)
        plan_rows_write(plan, plan_after_move(problem, pure, move), problem)
        _changed_by_hand(plan, problem)
        audit_record(
            plan,
            action="plan.move",
            by=by,
            now=now,
            cooperative=plan.season.cooperative,
            before=before,
            after=_told(plan),
        )
    return plan


def plan_take_out(
    plan: Plan, *, placement: Placement, version: int | None = None, by: Person, now: dt.datetime
) -> Plan:
    """Take queens out of their place: they stand under “No place yet” until they are put somewhere."""
    with transaction.atomic():
        plan, problem = _locked_sketch(plan, version=version, now=now)
        pure = pure_plan(plan, problem)
        gone = pure_placement(placement, first_day_of(problem))
        before = _told(plan)
        plan_rows_write(plan, _without(pure, gone, problem), problem)
        _changed_by_hand(plan, problem)
        audit_record(
            plan,
            action="plan.take_out",
            by=by,
            now=now,
            cooperative=plan.season.cooperative,
            before=before,
            after=_told(plan),
        )
    return plan


def plan_discard(plan: Plan, *, by: Person, now: dt.datetime) -> Plan:
    """Set a sketch aside. A published plan stays what it is."""
    with transaction.atomic():
        plan = Plan.objects.select_for_update(of=("self",)).get(pk=plan.pk)
        if plan.state == PlanState.CLOSED:
            return plan
        if plan.number is not None:
            raise Refusal(_("A published plan is replaced by the next one, not set aside."), rule="plan_published")
        plan.state = PlanState.CLOSED
        plan.save(update_fields=["state"])
        audit_record(plan, action="plan.discard", by=by, now=now, cooperative=plan.season.cooperative)
    return plan


def plan_publish(plan: Plan, *, version: int | None = None, by: Person, now: dt.datetime) -> Plan:
    """Give the plan its number, hand out places, call drones, tell exactly those whom it changes.

    One transaction: either all of it stands, or nothing. Publishing a published plan changes nothing.
    """
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).get(pk=plan.season_id)
        plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=plan.pk)
        if plan.state in IN_FORCE:
            return plan
        _refuse_stale(plan, season, version=version)
        problem = problem_of(season, now=now)
        violations = check(problem, pure_plan(plan, problem))
        if violations:
            raise Refusal(
                _("The facts have changed since this was worked out: %(what)s Work it out again, or mend it by hand.")
                % {"what": violation_words(violations[0], problem)},
                rule=violations[0].rule,
            )
        before = plan_in_force(season)
        changes = booking_changes(plan, before)
        number = (
            season.plans.filter(number__isnull=False).order_by("-number").values_list("number", flat=True).first() or 0
        ) + 1
        if before is not None:
            Plan.objects.filter(pk=before.pk).update(state=PlanState.CLOSED)
        plan.number, plan.state, plan.published_at, plan.published_by = number, PlanState.PUBLISHED, now, by
        plan.facts_mark = facts_mark(problem)
        plan.save(update_fields=["number", "state", "published_at", "published_by", "facts_mark"])
        season.plans.filter(state__in=SKETCHES, based_on=before).exclude(pk=plan.pk).update(state=PlanState.CLOSED)
        _give_places(plan, now=now)
        _call_drones(plan, problem)
        _set_bookings(plan, changes, problem)
        reminders_of_plan(plan, changes, before=before, now=now, by=by)
        audit_record(
            plan,
            action="plan.publish",
            by=by,
            now=now,
            cooperative=season.cooperative,
            after={"number": number, **_told(plan)},
        )
    return plan


def _locked_sketch(plan: Plan, *, version: int | None, now: dt.datetime) -> tuple[Plan, Problem]:
    plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=plan.pk)
    if plan.state not in SKETCHES:
        raise Refusal(_("Only a sketch can be changed. Start a new sketch from this plan."), rule="plan_not_sketch")
    if version is not None and plan.version != version:
        raise Refusal(
            _("Somebody changed this sketch meanwhile. Look at it as it is now, then move again."), rule="plan_version"
        )
    return plan, problem_of(plan.season, now=now)


def _refuse_stale(plan: Plan, season: Season, *, version: int | None) -> None:
    if plan.state not in SKETCHES:
        raise Refusal(_("This plan is not ready to be published."), rule="plan_not_sketch")
    if version is not None and plan.version != version:
        raise Refusal(
            _("Somebody changed this sketch meanwhile. Look at it as it is now, then publish."), rule="plan_version"
        )
    in_force = plan_in_force(season)
    if in_force is not None and plan.based_on_id != in_force.pk:
        raise Refusal(
            _("Plan %(number)d was published after this sketch was begun. Work it out again from there.")
            % {"number": in_force.number or 0},
            rule="plan_base",
        )


def _without(pure: PurePlan, gone: PurePlacement, problem: Problem) -> PurePlan:
    assign = tuple(placement for placement in pure.assign if placement != gone)
    in_use = {placement.pool for placement in assign}
    return replace(
        pure,
        assign=assign,
        pools=tuple(pool for pool in pure.pools if pool.id in in_use),
        co2=co2_of(problem, assign),
        result=None,
    )


def _changed_by_hand(plan: Plan, problem: Problem) -> None:
    plan_results_refresh(plan, problem)
    plan.version += 1
    plan.state = PlanState.SKETCH
    plan.save(update_fields=["version", "state", "result", "no_full_fit"])


def _told(plan: Plan) -> dict[str, list[str]]:
    rows = plan.placements.select_related("booking__batch", "session__bench", "source", "pool").order_by(
        "session__day", "pk"
    )
    return {"placements": [f"{row.booking.batch} {row.queens} {row.session} {row.source or row.pool}" for row in rows]}


def _give_places(plan: Plan, *, now: dt.datetime) -> None:
    """Number the places of each open session anew, by source and age. Running and closed sessions keep theirs."""
    today_open = list(
        BenchSession.objects.select_for_update(of=("self",))
        .filter(season=plan.season, state=SessionState.OPEN)
        .order_by("pk")
    )
    BenchPlace.objects.filter(session__in=today_open, state=PlaceState.HELD).update(state=PlaceState.FREED)
    placements: dict[int, list[Placement]] = defaultdict(list)
    for placement in plan.placements.filter(session__in=today_open).select_related("booking__batch", "source", "pool"):
        placements[placement.session_id].append(placement)
    rows = []
    for session_id, of_session in placements.items():
        position = 0
        for placement in sorted(of_session, key=_bench_order):
            for index in range(placement.queens):
                position += 1
                rows.append(
                    BenchPlace(
                        session_id=session_id,
                        position=position,
                        plan=plan,
                        booking=placement.booking,
                        source=placement.source,
                        pool=placement.pool,
                        dose_tenths=placement.booking.dose_tenths,
                        co2_before=index < placement.co2_before,
                    )
                )
    BenchPlace.objects.bulk_create(rows)
    for batch_id in sorted({row.booking.batch_id for row in rows}):
        places_assign_queens(batch_id)


def _bench_order(placement: Placement) -> tuple[str, str, dt.date, int]:
    """Fewest source changes first, the oldest queens first inside a source."""
    source = placement.source.letter if placement.source else ""
    batch = placement.booking.batch
    emerged = batch.emerged_on or batch.grafted_on or batch.planned_graft_on or dt.date.max
    return (source, placement.pool.name if placement.pool else "", emerged, placement.booking_id)


def _call_drones(plan: Plan, problem: Problem) -> None:
    """Bring so many drones of this source to this session: volume and safe reserve, rounded up."""
    volumes: dict[tuple[int, int], float] = defaultdict(float)
    for placement in plan.placements.select_related("booking").filter(source__isnull=False):
        assert placement.source_id is not None
        volumes[placement.session_id, placement.source_id] += placement.queens * placement.booking.dose_tenths
    for pool in plan.pools.prefetch_related("parts"):
        for part in pool.parts.all():
            volumes[pool.session_id, part.source_id] += float(part.volume_tenths)
    lines = {source.id: (source.md_per_ul10, source.md_fixed) for source in problem.sources}
    DroneCall.objects.bulk_create(
        DroneCall(
            plan=plan,
            session_id=session_id,
            source_id=source_id,
            volume_tenths=math.ceil(volume),
            drones=math.ceil((lines[str(source_id)][0] * volume + lines[str(source_id)][1]) / 1000),
        )
        for (session_id, source_id), volume in sorted(volumes.items())
        if str(source_id) in lines
    )


def _set_bookings(plan: Plan, changes: list[BookingChange], problem: Problem) -> None:
    """Placed, moved, or in the queue with the reason."""
    unserved = {row.booking_id: row for row in plan.unserved.all()}
    by_booking = {change.booking.pk: change for change in changes}
    live = Booking.objects.select_for_update(of=("self",)).filter(season=plan.season).exclude(state__in=ENDED_BOOKINGS)
    for booking in live.order_by("pk"):
        change = by_booking.get(booking.pk)
        if booking.state in {BookingState.AT_BENCH, BookingState.NOT_SENT}:
            continue
        if change is not None and change.new:
            state = BookingState.MOVED if change.kind == "moved" else BookingState.PLACED
            if change.kind == "kept" and booking.state == BookingState.MOVED:
                state = BookingState.MOVED
        else:
            state = BookingState.QUEUED
        row = unserved.get(booking.pk)
        why = _why(row.queens, row.reasons, problem) if row else ""
        if (booking.state, booking.why) != (state, why):
            booking.state, booking.why = state, why[:300]
            booking.version += 1
            booking.save(update_fields=["state", "why", "version"])


def _why(queens: int, reasons: list[dict[str, object]], problem: Problem) -> str:
    first = reason_words(reasons[0], problem) if reasons else ""
    return ngettext("%(queens)d queen has no place.", "%(queens)d queens have no place.", queens) % {
        "queens": queens
    } + (" " + first if first else "")
