"""Requests for bench places, and the plans that answer them."""

import datetime as dt

from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from scheduling.models import Booking, BookingMode, Plan, PlanState, QueenBatch
from scheduling.planning.timing import Fit
from scheduling.queries.batches import BatchView, batch_view, batches_with_facts
from scheduling.queries.choices import SourceChoice, source_choices
from scheduling.queries.plans import plan_in_force
from scheduling.services.bookings import booking_ask, booking_withdraw
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_move, plan_sketch_from
from scheduling.services.practice.plot import ASKS, MOVED_AFTER, PLANS, AskPlot
from scheduling.services.practice.world import World

PLAN_HOUR = 20


def tell_requests(world: World, *, seconds: float) -> None:
    for plot in ASKS:
        _tell_request(world, plot)
    for day, hour in PLANS:
        world.timeline.at(day, hour, lambda now: _plan(world, now, seconds=seconds))
    world.timeline.at(MOVED_AFTER, PLAN_HOUR, lambda now: _move_by_hand(world, now))


def _tell_request(world: World, plot: AskPlot) -> None:
    asked: list[Booking] = []

    def ask(now: dt.datetime) -> None:
        batch = world.batches[plot.batch]
        session = world.sessions[plot.session] if plot.session else None
        booking = booking_ask(
            batch,
            queens=plot.queens,
            sources=[choice.source for choice in _chosen(world, plot, now)],
            session=session,
            mode=plot.mode,
            note=plot.note,
            by=world.keeper_of(batch.member),
            now=now,
        )
        asked.append(booking)
        world.bookings.append(booking)

    world.timeline.at(plot.day, plot.hour, ask)
    if plot.withdrawn is not None:
        day, reason = plot.withdrawn
        world.timeline.at(
            day,
            19,
            lambda now: booking_withdraw(asked[0], reason=reason, by=world.keeper_of(asked[0].member), now=now),
        )


def _chosen(world: World, plot: AskPlot, now: dt.datetime) -> list[SourceChoice]:
    """The best of what the page offers: not blocked, ripe that day, highest merit of the daughters first."""
    view = _view(world, world.batches[plot.batch].pk, now)
    choices = [choice for choice in source_choices(view) if not choice.blocked]
    if plot.session:
        day = world.sessions[plot.session].day
        choices = [choice for choice in choices if choice.view.is_ripe_on(day)]
    choices.sort(key=lambda choice: (-(choice.prediction.merit or 0.0), choice.source.letter))
    return choices[: plot.sources]


def _plan(world: World, now: dt.datetime, *, seconds: float) -> None:
    """Asked for, worked out by the worker's own handler, looked at, published."""
    plan = plan_ask(world.season, by=world.coordinator, now=now, seconds=seconds)
    assert plan.job is not None
    job_run(plan.job.pk, now=now)
    plan.refresh_from_db()
    if plan.state != PlanState.TO_CHECK:
        plan.job.refresh_from_db()
        raise Refusal(f"The plan could not be worked out: {plan.job.problem}", rule="practice_plan")
    plan_publish(plan, by=world.coordinator, now=now)


def _move_by_hand(world: World, now: dt.datetime) -> None:
    """One queen's keeper asked for another day: the first move that breaks no rule is made and published.

    A plan depends on how far the solver got in its seconds: where it left no such move, the sketch stays one.
    """
    in_force = plan_in_force(world.season)
    assert in_force is not None
    sketch = plan_sketch_from(in_force, by=world.coordinator, now=now)
    if _moved(world, sketch, now):
        plan_publish(Plan.objects.get(pk=sketch.pk), by=world.coordinator, now=now)


def _moved(world: World, sketch: Plan, now: dt.datetime) -> bool:
    """Try the days on which the queens are of normal age and places are left."""
    placements = list(
        sketch.placements.filter(source__isnull=False).select_related("booking", "session", "source").order_by("pk")
    )
    coming = [session for session in world.sessions.values() if session.places and session.day > world.timeline.today]
    left = {
        session: session.places - sum(p.queens for p in placements if p.session_id == session.pk) for session in coming
    }
    for placement in placements:
        if placement.booking.mode != BookingMode.EACH:
            continue
        window = _view(world, placement.booking.batch_id, now).calendar.window
        for session in sorted(coming, key=lambda session: (-left[session], session.day)):
            queens = min(placement.queens, left[session])
            if session.pk == placement.session_id or queens < 1 or window.fit(session.day) != Fit.NORMAL:
                continue
            assert placement.source is not None
            try:
                plan_move(
                    sketch,
                    booking=placement.booking,
                    session=session,
                    source=placement.source,
                    queens=queens,
                    taken_from=placement,
                    by=world.coordinator,
                    now=now,
                )
            except Refusal:
                continue
            return True
    return False


def _view(world: World, batch_id: int, now: dt.datetime) -> BatchView:
    [batch] = batches_with_facts(QueenBatch.objects.filter(pk=batch_id))
    return batch_view(batch, today=now.astimezone(world.timeline.tz).date())
