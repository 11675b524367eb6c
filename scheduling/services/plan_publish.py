"""Publishing: a number, numbered places, drones called, and news to exactly those whom it changes."""

import datetime as dt
from collections import defaultdict

from django.db import transaction

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.told import Told, one_after_the_other
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    Placement,
    PlaceState,
    Plan,
    PlanState,
    Season,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.checker import check
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import pure_plan, worth_permille
from scheduling.queries.plan_words import Names, reason_words, violation_words
from scheduling.queries.plans import IN_FORCE, SKETCHES, BookingChange, booking_changes, plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import planned_on
from scheduling.queries.worked_out import facts_mark
from scheduling.services.drone_calls import drone_calls_write
from scheduling.services.offers import offers_replace
from scheduling.services.places import places_assign_queens
from scheduling.services.plan_ready import plan_ready_end
from scheduling.services.plan_reminders import reminders_of_plan
from scheduling.services.plan_results import plan_results_refresh
from scheduling.services.plans import told_places


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
        plan_results_refresh(plan, planned_on(plan, problem))
        plan.save(
            update_fields=["number", "state", "published_at", "published_by", "facts_mark", "result", "no_full_fit"]
        )
        _overtake(plan, before, now=now)
        offers_replace(season, now=now, by=by)
        _give_places(plan, now=now)
        drone_calls_write(
            plan,
            {int(s.id): (s.md_per_ul10, s.md_fixed) for s in problem.sources},
            worth=lambda source, day: worth_permille(problem, source, day) / 1000,
        )
        _set_bookings(plan, changes, problem)
        reminders_of_plan(plan, changes, before=before, now=now, by=by)
        audit_record(
            plan,
            action="plan.publish",
            by=by,
            now=now,
            cooperative=season.cooperative,
            after={"number": number, **told_places(plan)},
        )
    return plan


def _overtake(plan: Plan, before: Plan | None, *, now: dt.datetime) -> None:
    """Sketches begun from the same plan cannot be published any more."""
    others = plan.season.plans.filter(state__in=SKETCHES, based_on=before).exclude(pk=plan.pk)
    for sketch in [plan, *others.select_related("season__cooperative")]:
        plan_ready_end(sketch, now=now)
    others.update(state=PlanState.CLOSED)


def _refuse_stale(plan: Plan, season: Season, *, version: int | None) -> None:
    if plan.state not in SKETCHES:
        raise Refusal(_("This plan is not ready to be published."), rule="plan_not_sketch")
    if version is not None and plan.version != version:
        raise Refusal(
            _("Somebody changed this sketch meanwhile. Look at it as it is now, then publish."), rule="plan_version"
        )
    in_force = plan_in_force(season)
    # A sketch that does not say which version it was begun from cannot vouch for anybody's place.
    if in_force is not None and plan.based_on_id == in_force.pk and plan.base_version != in_force.version:
        raise Refusal(
            _(
                "Places of plan %(number)d were given or freed since this sketch was begun. Work it out again, so that "
                "nobody's place is lost."
            )
            % {"number": in_force.number or 0},
            rule="plan_base",
        )
    if in_force is not None and plan.based_on_id != in_force.pk:
        raise Refusal(
            _("Plan %(number)d was published after this sketch was begun. Work it out again from there.")
            % {"number": in_force.number or 0},
            rule="plan_base",
        )


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


def _set_bookings(plan: Plan, changes: list[BookingChange], problem: Problem) -> None:
    """Placed, moved, or in the queue with the reason."""
    unserved = {row.booking_id: row for row in plan.unserved.all()}
    names = Names(problem)
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
        why = _why(row.queens, row.reasons, names) if row else ""
        if (booking.state, booking.why) != (state, why):
            booking.state, booking.why = state, why
            booking.version += 1
            booking.save(update_fields=["state", "why", "version"])


def _why(queens: int, reasons: list[dict[str, object]], names: Names) -> Told:
    left_over = ngettext("%(queens)d queen has no place.", "%(queens)d queens have no place.", queens)
    first = [reason_words(reasons[0], names)] if reasons else []
    return one_after_the_other([left_over % {"queens": queens}, *first])
