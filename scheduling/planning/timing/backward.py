"""The season worked backwards from a wanted bench day (day 0)."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, days_said, hours_said, whole_days
from scheduling.planning.timing.steps import Step, Who
from scheduling.planning.words import Words
from scheduling.planning.words import message as _

DRONE, QUEEN, OPERATOR = Who.DRONE_REARER, Who.QUEEN_REARER, Who.OPERATOR


def backward_plan(bench_day: dt.date, settings: Settings) -> tuple[Step, ...]:
    """Return every step for one bench day, from the start of the drone programme to her own progeny, by day.

    Steps of the same day keep the order in which they are listed here: queens before drones.
    """
    steps = [*_drone_steps(bench_day, settings), *_queen_steps(bench_day, settings), *_after(bench_day, settings)]
    order = {Who.QUEEN_REARER: 0, Who.OPERATOR: 0, Who.COORDINATOR: 0, Who.DRONE_REARER: 1}
    return tuple(sorted(steps, key=lambda step: (step.day or 0, order[step.who])))


def comb_offsets(settings: Settings) -> dict[str, int]:
    """Return the days, from the bench day, on which a drone comb may go in, by how good it is. All negative."""
    last_egg = settings.drone_development_days + settings.comb_lag_days
    return {
        "earliest_comb": -settings.drone_age_last_days - settings.drone_development_days,
        "insert_comb": -settings.drone_age_planned_days - last_egg,
        "latest_comb": -settings.drone_age_first_days - last_egg,
        "emergency_comb": -settings.drone_age_emergency_days - last_egg,
    }


def emergence_offset(settings: Settings) -> int:
    """Return the day of emergence from the bench day, for queens of the planned age."""
    return -settings.virgin_age_planned_days


def graft_offset(settings: Settings) -> int:
    """Return the day of the graft from the bench day, for queens of the planned age."""
    return emergence_offset(settings) - settings.graft_to_emergence_days


def _step(
    bench_day: dt.date,
    day: int,
    key: str,
    what: Words,
    who: Who,
    rows: str,
    why: Words,
    *,
    earliest: int | None = None,
    latest: int | None = None,
    hard_limit: int | None = None,
) -> Step:
    return Step(
        key=key,
        what=what,
        who=who,
        earliest=days_later(bench_day, min(day, day if earliest is None else earliest)),
        best=days_later(bench_day, day),
        latest=days_later(bench_day, max(day, day if latest is None else latest)),
        hard_limit=None if hard_limit is None else days_later(bench_day, hard_limit),
        day=day,
        rows=tuple(rows.split()),
        why=why,
    )


def _ages_on_day(youngest: int, s: Settings) -> Words:
    return _(
        "Drones %(youngest)s to %(oldest)s old on the day.",
        youngest=youngest,
        oldest=days_said(youngest + s.comb_lag_days),
    )


def _drone_steps(bench: dt.date, s: Settings) -> list[Step]:
    comb = comb_offsets(s)
    planned = comb["insert_comb"]
    first_out = planned + s.drone_development_days
    ages = {key: _ages_on_day(-day - s.drone_development_days - s.comb_lag_days, s) for key, day in comb.items()}
    return [
        _step(
            bench, -s.drone_programme_days, "programme_start",
            _("Drone programme begins: the first drone comb into each drone colony, then keep inserting"), DRONE,
            "R28", _("The supply must not break for %(days)s.", days=days_said(s.drone_programme_days)),
        ),
        _step(
            bench, comb["earliest_comb"], "earliest_comb", _("Earliest drone comb that still serves this day"), DRONE,
            "R14", _("Its drones are at most %(age)s old on the day.", age=days_said(s.drone_age_last_days)),
        ),
        _step(
            bench, planned, "insert_comb", _("Put the drone comb in"), DRONE, "R01 R14 R30",
            ages["insert_comb"],
            earliest=comb["earliest_comb"], latest=comb["latest_comb"], hard_limit=comb["emergency_comb"],
        ),
        _step(
            bench, comb["latest_comb"], "latest_comb", _("Latest safe drone comb"), DRONE, "R07 R30",
            ages["latest_comb"],
        ),
        _step(
            bench, comb["emergency_comb"], "emergency_comb", _("Emergency limit for a drone comb"), DRONE, "R06 R30",
            _("%(ages)s It needs an override.", ages=ages["emergency_comb"]),
        ),
        _step(
            bench, planned + s.comb_lag_days + s.drone_sealed_days, "count_capped",
            _("Drone brood of the planned comb sealed: count it"), DRONE, "R02",
            _("The first number the forecast can trust."),
            latest=first_out - 1, hard_limit=first_out + s.comb_lag_days - 1,
        ),
        _step(
            bench, first_out, "mark_drones", _("First planned drones emerge: mark or confine them"), DRONE, "R01",
            _("Drones drift; unmarked ones cannot be told from strangers."),
            latest=first_out + s.comb_lag_days,
        ),
    ]  # fmt: skip


def _queen_steps(bench: dt.date, s: Settings) -> list[Step]:
    emergence, graft = emergence_offset(s), graft_offset(s)
    spacing, lead = whole_days(s.co2_spacing_hours), days_said(s.drone_catch_lead_days)
    return [
        _step(
            bench, graft - s.confine_before_graft_days, "confine_breeder",
            _("Confine the breeder queen to a comb for 12 to 24 hours"), QUEEN, "Q12 Q13",
            _("All larvae are then of one age at the graft."), hard_limit=graft - s.confine_before_graft_days,
        ),
        _step(
            bench, graft, "graft", _("Graft"), QUEEN, "Q10",
            _("Larvae 12 to 24 hours old."),
            earliest=-s.virgin_age_last_days - s.graft_to_emergence_days,
            latest=-s.virgin_age_first_days - s.graft_to_emergence_days,
            hard_limit=-s.virgin_age_first_days - s.emergence_alarm_days,
        ),
        _step(
            bench, graft + s.count_started_days, "count_started", _("Count the accepted larvae"), QUEEN, "Q18",
            _("It says how many places the batch will need."),
        ),
        _step(
            bench, graft + s.queen_sealed_days, "cells_sealed", _("Queen cells sealed"), QUEEN, "Q04",
            _("Leave them still from now on."),
        ),
        _step(
            bench, graft + s.cells_caged_days, "cage_cells",
            _("Cage the ripe cells, or move them to the incubator or nucs"), QUEEN, "Q21",
            _("The first virgin to emerge destroys the rest of the bar."),
            earliest=graft + s.cells_caged_days - 1, hard_limit=graft + s.emergence_alarm_days,
        ),
        _step(
            bench, graft + s.emergence_alarm_days, "emergence_alarm", _("Earliest emergence"), QUEEN, "Q09",
            _("Warm cells and older larvae emerge early."),
        ),
        _step(
            bench, emergence, "report_emergence", _("Emergence expected; excluder on the nuc entrance"), QUEEN,
            "Q09 V08", _("Every age at the bench is reckoned from this day."),
            earliest=graft + s.emergence_alarm_days, latest=graft + s.emergence_late_days,
        ),
        _step(
            bench, emergence + s.excluder_alarm_age_days, "excluder_alarm",
            _("Alarm if excluder or caging is not recorded"), QUEEN, "V08",
            _("At an age of %(age)s, before mating flights begin.", age=days_said(s.excluder_alarm_age_days)),
        ),
        _step(
            bench, emergence + s.virgin_age_first_days, "window_opens",
            _("First allowed insemination day for this batch"), QUEEN, "V02",
            _("Age %(days)s.", days=days_said(s.virgin_age_first_days)),
        ),
        _step(
            bench, -spacing, "first_co2", _("First CO2; catch the drones at most %(lead)s before the bench", lead=lead),
            QUEEN, "C02 C08 R32",
            _("%(hours)s elapsed before the insemination.", hours=hours_said(s.co2_spacing_hours)),
            earliest=-2 * spacing, hard_limit=0,
        ),
        _step(
            bench, 0, "bench_time", _("Insemination with CO2; release into her own nuc"), OPERATOR, "V04 C01 K05",
            _("Age %(days)s.", days=days_said(s.virgin_age_planned_days)),
            hard_limit=emergence + s.virgin_age_reason_last_days,
        ),
        _step(
            bench, emergence + s.virgin_age_last_days, "last_normal", _("Last normal day for this batch"), QUEEN, "V03",
            _("Age %(days)s.", days=days_said(s.virgin_age_last_days)),
        ),
        _step(
            bench, emergence + s.virgin_age_reason_last_days, "last_with_reason", _("Last day with a reason"), QUEEN,
            "V02 V05", _("Age %(days)s.", days=days_said(s.virgin_age_reason_last_days)),
        ),
    ]  # fmt: skip


def _after(bench: dt.date, s: Settings) -> list[Step]:
    first_egg = s.egg_check_1_days
    return [
        _step(
            bench, whole_days(s.co2_spacing_hours), "second_co2",
            _("Follow-up CO2 instead, if none was given before"), QUEEN, "C03",
            _("CO2 starts laying, on whichever side of the insemination it is given."),
        ),
        _step(
            bench, whole_days(s.dose_split_spacing_hours), "second_dose", _("Second dose, if the dose is split"),
            OPERATOR, "D05", _("The parts are given %(hours)s apart.", hours=hours_said(s.dose_split_spacing_hours)),
            hard_limit=max(whole_days(s.dose_split_spacing_hours), emergence_offset(s) + s.virgin_age_reason_last_days),
        ),
        _step(
            bench, s.egg_check_1_days, "egg_check_1", _("Egg check %(number)s", number=1), QUEEN, "L10",
            _("Leave the nuc shut before."), earliest=s.nuc_shut_days, latest=s.egg_check_2_days - 1,
            hard_limit=max(s.egg_check_1_days, s.egg_check_2_days - 1),
        ),
        _step(
            bench, s.egg_check_2_days, "egg_check_2", _("Egg check %(number)s", number=2), QUEEN, "L10",
            _("Most queens with all their CO2 treatments lay by now."), latest=s.egg_check_3_days - 1,
            hard_limit=max(s.egg_check_2_days, s.egg_check_3_days - 1),
        ),
        _step(
            bench, s.egg_check_3_days, "egg_check_3",
            _(
                "Egg check %(number)s; another CO2 if fewer than %(wanted)s are on record",
                number=3, wanted=s.co2_treatments,
            ),
            QUEEN, "C23 C07",
            _("With %(wanted)s on record another adds nothing.", wanted=s.co2_treatments), latest=s.give_up_days - 1,
            hard_limit=s.give_up_last_days,
        ),
        _step(
            bench, first_egg + s.sealed_brood_days, "sealed_brood", _("Sealed brood: worker or drone?"), QUEEN, "L13",
            _("Sealed worker brood is the proof, if eggs were first seen at the first check."),
        ),
        _step(
            bench, s.give_up_days, "decide", _("Decide: keep, treat again or give up"), QUEEN, "L12",
            _("No figure is published; the cooperative chose this day."),
            hard_limit=s.give_up_last_days,
        ),
        _step(
            bench, first_egg + s.own_progeny_days, "own_progeny", _("Colony all of her own progeny"), QUEEN, "L14",
            _("Scores from now on are hers, if eggs were first seen at the first check."),
        ),
    ]  # fmt: skip
