"""Sketches: begun from a published plan, changed by hand as far as the checker allows, set aside."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import AuditEntry, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BenchSession, Booking, DroneSource, Placement, Plan, PlanState
from scheduling.planning.checker import check_move
from scheduling.planning.moves import Move, plan_after_move, plan_without
from scheduling.planning.plan import Part, Pool
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Placement as PurePlacement
from scheduling.planning.problem import Problem
from scheduling.queries.board_moves import mixing_of
from scheduling.queries.plan_rows import first_day_of, plan_rows_write, pure_placement, pure_plan
from scheduling.queries.plan_words import violation_words
from scheduling.queries.plans import SKETCHES
from scheduling.queries.problem import problem_of
from scheduling.services.plan_ready import plan_ready_end
from scheduling.services.plan_results import plan_results_refresh


def plan_sketch_from(plan: Plan, *, by: Person, now: dt.datetime) -> Plan:
    """A sketch to change by hand, starting from a published plan."""
    with transaction.atomic():
        plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=plan.pk)
        sketch = Plan.objects.create(
            season=plan.season,
            state=PlanState.SKETCH,
            based_on=plan,
            base_version=plan.version,
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
    source: DroneSource | None = None,
    queens: int,
    taken_from: Placement | None = None,
    mixture: Pool | None = None,
    version: int | None = None,
    by: Person,
    now: dt.datetime,
) -> Plan:
    """Move queens by hand. Refused, with the rule named, when the checker finds that it breaks one.

    Mixed semen has no single `source`: the queens join the mixture of theirs that is made there, or take theirs along,
    or get one made for them; `mixture` names the very one they had.
    """
    with transaction.atomic():
        plan, problem = _locked_sketch(plan, version=version, now=now)
        first = first_day_of(problem)
        if session.day < first:
            raise Refusal(_("%(session)s is past.") % {"session": session}, field="session", rule="session_past")
        pure = pure_plan(plan, problem)
        move = Move(
            booking=str(booking.pk),
            bench=str(session.bench_id),
            day=(session.day - first).days,
            queens=queens,
            taken_from=pure_placement(taken_from, first) if taken_from else None,
        )
        try:
            if source is not None:
                move = replace(move, source=str(source.pk))
                violations = check_move(problem, pure, move)
            elif mixture is not None:
                move = replace(move, pool=mixture.id, mix=mixture.parts)
                violations = check_move(problem, pure, move)
            else:
                _refuse_where_it_is(session, taken_from)
                mixing = mixing_of(plan, problem, pure, booking, queens=queens, taken_from=move.taken_from)
                move, violations = mixing.best(move.bench, move.day)
        except ValueError as error:
            raise Refusal(
                _("There are not so many queens to move from there. Enter fewer."), field="queens", rule="queens"
            ) from error
        if violations:
            raise Refusal(violation_words(violations[0], problem), field="session", rule=violations[0].rule)
        before, step = told_places(plan), _step(booking, queens, taken_from, (session, source), plan)
        plan_rows_write(plan, plan_after_move(problem, pure, move), problem)
        _changed_by_hand(plan, problem)
        step["version"] = plan.version
        audit_record(
            plan,
            action="plan.move",
            by=by,
            now=now,
            cooperative=plan.season.cooperative,
            before=before,
            after={**told_places(plan), "step": step},
        )
    return plan


def _refuse_where_it_is(session: BenchSession, taken_from: Placement | None) -> None:
    if taken_from is not None and taken_from.session_id == session.pk and taken_from.pool_id is not None:
        raise Refusal(
            _("%(batch)s stands here.") % {"batch": taken_from.booking.batch}, field="session", rule="stands_here"
        )


def plan_take_out(
    plan: Plan, *, placement: Placement, version: int | None = None, by: Person, now: dt.datetime
) -> Plan:
    """Take queens out of their place: they stand under “No place yet” until they are put somewhere."""
    with transaction.atomic():
        plan, problem = _locked_sketch(plan, version=version, now=now)
        pure = pure_plan(plan, problem)
        gone = pure_placement(placement, first_day_of(problem))
        before, step = told_places(plan), _step(placement.booking, placement.queens, placement, None, plan)
        plan_rows_write(plan, _without(problem, pure, gone), problem)
        _changed_by_hand(plan, problem)
        step["version"] = plan.version
        audit_record(
            plan,
            action="plan.take_out",
            by=by,
            now=now,
            cooperative=plan.season.cooperative,
            before=before,
            after={**told_places(plan), "step": step},
        )
    return plan


def plan_move_back(plan: Plan, *, by: Person, now: dt.datetime) -> Plan:
    """Take the last move by hand back, while nothing else was changed since. It is a move like any other."""
    entry = AuditEntry.objects.filter(subject_type=plan._meta.label_lower, subject_id=plan.pk).order_by("-pk").first()
    step = entry.after.get("step") if entry is not None else None
    if step is None or step["version"] != plan.version:
        raise Refusal(_("The sketch was changed since. Move the queens back by hand."), rule="plan_version")
    booking = Booking.objects.get(pk=step["booking"])
    there = None
    if step["to"] is not None:
        session_pk, source_pk = step["to"]
        rows = plan.placements.filter(booking=booking, session=session_pk, source=source_pk, queens=step["queens"])
        there = rows.select_related("booking__batch").first()
        if there is None:
            raise Refusal(_("Others of %(batch)s stand there too. Move them by hand.") % {"batch": booking.batch})
    if step["from"] is None:
        assert there is not None
        return plan_take_out(plan, placement=there, version=step["version"], by=by, now=now)
    session_pk, source_pk = step["from"]
    return plan_move(
        plan,
        booking=booking,
        session=BenchSession.objects.select_related("bench").get(pk=session_pk),
        source=DroneSource.objects.get(pk=source_pk) if source_pk is not None else None,
        queens=step["queens"],
        taken_from=there,
        mixture=_mixture_of(step),
        version=step["version"],
        by=by,
        now=now,
    )


def _step(
    booking: Booking,
    queens: int,
    taken_from: Placement | None,
    to: tuple[BenchSession, DroneSource | None] | None,
    plan: Plan,
) -> dict[str, Any]:
    """What `plan_move_back` needs, as things stand before the move. Without a source: in mixed semen."""
    step: dict[str, Any] = {
        "booking": booking.pk,
        "queens": queens,
        "from": [taken_from.session_id, taken_from.source_id] if taken_from is not None else None,
        "to": [to[0].pk, to[1].pk if to[1] is not None else None] if to is not None else None,
        "version": plan.version,
    }
    if taken_from is not None and taken_from.pool is not None:
        parts = taken_from.pool.parts.values_list("source_id", "volume_tenths")
        step["mixture"] = [taken_from.pool.name, {str(source): str(tenths) for source, tenths in parts}]
    return step


def _mixture_of(step: Mapping[str, Any]) -> Pool | None:
    """The mixture that the queens had, to be made again as it was or joined if others still have it."""
    if "mixture" not in step:
        return None
    name, parts = step["mixture"]
    return Pool(name, "", 0, tuple(Part(source, float(tenths)) for source, tenths in parts.items()))


def plan_discard(plan: Plan, *, by: Person, now: dt.datetime) -> Plan:
    """Set a sketch aside. A published plan stays what it is."""
    with transaction.atomic():
        plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=plan.pk)
        if plan.state == PlanState.CLOSED:
            return plan
        if plan.number is not None:
            raise Refusal(_("A published plan is replaced by the next one, not set aside."), rule="plan_published")
        plan.state = PlanState.CLOSED
        plan.save(update_fields=["state"])
        plan_ready_end(plan, now=now)
        audit_record(plan, action="plan.discard", by=by, now=now, cooperative=plan.season.cooperative)
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


def _without(problem: Problem, pure: PurePlan, gone: PurePlacement) -> PurePlan:
    if gone not in pure.assign:
        return pure  # of a day that is over, or taken out meanwhile
    return plan_without(problem, pure, gone)


def _changed_by_hand(plan: Plan, problem: Problem) -> None:
    plan_results_refresh(plan, problem)
    plan.version += 1
    plan.state = PlanState.SKETCH
    plan.save(update_fields=["version", "state", "result", "no_full_fit"])


def told_places(plan: Plan) -> dict[str, list[str]]:
    rows = plan.placements.select_related("booking__batch", "session__bench", "source", "pool").order_by(
        "session__day", "pk"
    )
    return {"placements": [f"{row.booking.batch} {row.queens} {row.session} {row.source or row.pool}" for row in rows]}
