"""The steps of a queen batch, in the order in which they come."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.after_steps import after_steps
from scheduling.planning.timing.cells import Cells
from scheduling.planning.timing.clock import elapsed_after, local_day
from scheduling.planning.timing.co2 import (
    co2_apart_before,
    co2_due_before,
    co2_record,
    co2_too_near,
    is_co2_before,
)
from scheduling.planning.timing.days import HOURS_PER_DAY, days_later, days_said, hours_said, whole_days
from scheduling.planning.timing.events import BatchEvents
from scheduling.planning.timing.steps import Step, Who, Window
from scheduling.planning.timing.windows import oldest_emerged_at
from scheduling.planning.words import Words
from scheduling.planning.words import message as _


def batch_steps(events: BatchEvents, cells: Cells, window: Window, settings: Settings) -> tuple[Step, ...]:
    """Return the steps from confining the breeder queen to a colony all of the new queen's progeny.

    The bench day is the booked one; without a place, the best day of the window.
    """
    bench_on = bench_day_of(events) or window.best_on
    return (
        *_graft_steps(events, cells, settings),
        *_cell_steps(events, cells, window, settings),
        *_bench_steps(events, bench_on, window, settings),
        *after_steps(events, bench_on, window, settings),
    )


def bench_day_of(events: BatchEvents) -> dt.date | None:
    """Return the booked bench day, or None without a place."""
    if events.bench_on is None and events.bench_at is not None:
        return local_day(events.bench_at, events.zone)
    return events.bench_on


def catch_why(settings: Settings) -> Words:
    """Why drones are caught so shortly before the bench."""
    return _(
        "At most %(lead)s before the bench; caged in a bank they keep %(days)s at most.",
        lead=days_said(settings.drone_catch_lead_days),
        days=days_said(settings.drone_holding_days),
    )


def _graft_steps(events: BatchEvents, cells: Cells, settings: Settings) -> list[Step]:
    steps: list[Step] = []
    if events.grafted_on is None or events.confined_on is not None:
        confine_on = days_later(cells.grafted_on, -settings.confine_before_graft_days)
        steps.append(
            Step(
                key="confine_breeder",
                what=_("Confine the breeder queen to a comb for 12 to 24 hours"),
                who=Who.QUEEN_REARER,
                earliest=confine_on,
                best=confine_on,
                latest=confine_on,
                hard_limit=confine_on,
                done_on=events.confined_on,
                why=_("All larvae are then of one age at the graft."),
                rows=("Q12", "Q13"),
            )
        )
    earliest = latest = cells.grafted_on
    hard_limit = _last_graft_on(events, cells, settings)
    if events.grafted_on is None and events.wanted_bench_on is not None:
        to_emergence = settings.graft_to_emergence_days
        earliest = min(
            cells.grafted_on,
            days_later(events.wanted_bench_on, -settings.virgin_age_last_days - to_emergence),
        )
        latest = max(
            cells.grafted_on,
            days_later(events.wanted_bench_on, -settings.virgin_age_first_days - to_emergence),
        )
    steps += [
        Step(
            key="graft",
            what=_("Graft"),
            who=Who.QUEEN_REARER,
            earliest=earliest,
            best=cells.grafted_on,
            latest=latest,
            hard_limit=hard_limit,
            done_on=events.grafted_on,
            why=_("Larvae 12 to 24 hours old; older ones make smaller queens that store fewer sperm."),
            rows=("Q09", "Q10", "Q11", "V02"),
        ),
        Step(
            key="count_started",
            what=_("Count the started cells"),
            who=Who.QUEEN_REARER,
            earliest=days_later(cells.grafted_on, settings.count_started_days),
            best=days_later(cells.grafted_on, settings.count_started_days),
            latest=max(cells.sealed_on, days_later(cells.grafted_on, settings.count_started_days)),
            done_on=events.counted_on,
            why=_("It says how many places the batch will need."),
            rows=("Q18",),
        ),
    ]
    return steps


def _last_graft_on(events: BatchEvents, cells: Cells, settings: Settings) -> dt.date | None:
    """The last graft whose virgins can be old enough on the bench day, even if they emerge as early as they can."""
    bench_on = bench_day_of(events) or events.wanted_bench_on
    if bench_on is None:
        return None
    return max(cells.grafted_on, days_later(bench_on, -settings.virgin_age_first_days - settings.emergence_alarm_days))


def _cell_steps(events: BatchEvents, cells: Cells, window: Window, settings: Settings) -> list[Step]:
    first, last = window.emerged_first_on, window.emerged_last_on
    early = min(cells.early_on, first)
    alarm_on = days_later(first, settings.excluder_alarm_age_days)
    cage_on = min(cells.cage_on, early)
    out_at = oldest_emerged_at(events.emergences, events.zone) if events.emergences else None
    alarm_at = None if out_at is None else elapsed_after(out_at, HOURS_PER_DAY * settings.excluder_alarm_age_days)
    by_the_hour = alarm_on if alarm_at is None else max(alarm_on, local_day(alarm_at, events.zone))
    return [
        Step(
            key="cells_sealed",
            what=_("Queen cells sealed"),
            who=Who.QUEEN_REARER,
            earliest=min(cells.sealed_on, days_later(cells.grafted_on, settings.queen_sealed_days - 1)),
            best=cells.sealed_on,
            latest=max(cells.sealed_on, days_later(cells.grafted_on, settings.queen_sealed_days + 1)),
            done_on=events.sealed_on,
            why=_("Leave them still from now on."),
            rows=("Q03", "Q04"),
        ),
        Step(
            key="cage_cells",
            what=_("Cage the ripe cells, or move them to the incubator or nucs"),
            who=Who.QUEEN_REARER,
            earliest=days_later(cage_on, -1),
            best=cage_on,
            latest=max(cage_on, days_later(early, -1)),
            hard_limit=early,
            done_on=events.caged_on,
            why=_("The first virgin to emerge destroys the rest of the bar."),
            rows=("Q21", "Q14"),
        ),
        Step(
            key="report_emergence",
            what=_("Report how many virgins emerged"),
            who=Who.QUEEN_REARER,
            earliest=early,
            best=first,
            latest=max(cells.late_on, last),
            done_on=last if window.is_observed else None,
            why=_("Every age at the bench is reckoned from this day."),
            rows=("Q09", "Q14"),
        ),
        Step(
            key="excluder_on",
            what=_("Fit the excluder at every nuc, or keep the virgins caged"),
            who=Who.QUEEN_REARER,
            earliest=early,
            best=days_later(first, settings.excluder_on_age_days),
            latest=max(days_later(first, settings.excluder_on_age_days), days_later(alarm_on, -1)),
            hard_limit=alarm_on,
            done_on=events.excluder_on,
            why=_("A virgin that flies mates with drones nobody chose."),
            rows=("V08", "V09"),
        ),
        Step(
            key="excluder_alarm",
            what=_("Excluder not confirmed: the virgins may fly"),
            who=Who.QUEEN_REARER,
            earliest=alarm_on,
            best=alarm_on,
            latest=by_the_hour,
            latest_at=alarm_at,
            done_on=events.excluder_on,
            why=_(
                "At an age of %(age)s, before mating flights begin.", age=days_said(settings.excluder_alarm_age_days)
            ),
            rows=("V06", "V07", "V08"),
        ),
    ]


def _bench_steps(events: BatchEvents, bench_on: dt.date, window: Window, settings: Settings) -> list[Step]:
    steps: list[Step] = []
    inseminated_at = events.inseminated_at
    before = co2_apart_before(events, settings)
    is_wanted = is_co2_before(events, settings) and inseminated_at is None and not co2_too_near(events, settings)
    if before or is_wanted:
        steps.append(_first_co2(events, bench_on, before, settings))
    is_booked = bench_day_of(events) is not None
    steps += [
        Step(
            key="catch_drones",
            what=_("Catch and bring the drones"),
            who=Who.DRONE_REARER,
            earliest=days_later(bench_on, -settings.drone_catch_lead_days),
            best=days_later(bench_on, -settings.drone_catch_lead_days),
            latest=bench_on,
            hard_limit=bench_on,
            done_on=None if inseminated_at is None else local_day(inseminated_at, events.zone),
            why=catch_why(settings),
            rows=("R31", "R32"),
        ),
        Step(
            key="bench_time",
            what=_("Insemination"),
            who=Who.OPERATOR,
            earliest=bench_on if is_booked else min(window.opens_on, bench_on),
            best=bench_on,
            latest=bench_on if is_booked else max(window.last_on, bench_on),
            hard_limit=max(window.last_with_reason_on, bench_on),
            earliest_at=None if is_booked or bench_on < window.opens_on else window.opens_at,
            best_at=events.bench_at,
            done_on=None if inseminated_at is None else local_day(inseminated_at, events.zone),
            why=_("Younger virgins die of it, older ones store fewer sperm."),
            rows=("V01", "V02", "V03", "V04", "V05"),
        ),
    ]
    return steps


def _first_co2(events: BatchEvents, bench_on: dt.date, before: list[dt.datetime], settings: Settings) -> Step:
    spacing = whole_days(settings.co2_spacing_hours)
    due = None if events.bench_at is None else co2_due_before(events.bench_at, settings)
    counted = co2_record(before, settings).counted
    best = days_later(bench_on, -spacing) if due is None else local_day(due.best_at, events.zone)
    return Step(
        key="first_co2",
        what=_("First CO2"),
        who=Who.QUEEN_REARER,
        earliest=days_later(bench_on, -2 * spacing) if due is None else local_day(due.earliest_at, events.zone),
        best=best,
        latest=best if due is None else local_day(due.latest_at, events.zone),
        hard_limit=bench_on,
        earliest_at=None if due is None else due.earliest_at,
        best_at=None if due is None else due.best_at,
        latest_at=None if due is None else due.latest_at,
        done_on=local_day(counted[0], events.zone) if counted else None,
        why=_(
            "%(hours)s elapsed before the insemination, whatever the wall clock does. Missed: give it %(hours)s after.",
            hours=hours_said(settings.co2_spacing_hours),
        ),
        rows=("C01", "C02", "C08", "C17"),
    )
