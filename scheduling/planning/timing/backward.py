"""The season worked backwards from a wanted bench day (day 0)."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, whole_days
from scheduling.planning.timing.steps import Step, Who

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
    what: str,
    who: Who,
    rows: str,
    why: str,
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


def _drone_steps(bench: dt.date, s: Settings) -> list[Step]:
    comb = comb_offsets(s)
    planned = comb["insert_comb"]
    first_out = planned + s.drone_development_days
    ages = {key: (-day - s.drone_development_days - s.comb_lag_days) for key, day in comb.items()}
    return [
        _step(
            bench, -s.drone_programme_days, "programme_start",
            "Drone programme begins: the first drone comb into each drone colony, then keep inserting", DRONE,
            "R28", "The supply must not break for two months.",
        ),
        _step(
            bench, comb["earliest_comb"], "earliest_comb", "Earliest drone comb that still serves this day", DRONE,
            "R14", f"Its drones are at most {s.drone_age_last_days} days old on the day.",
        ),
        _step(
            bench, planned, "insert_comb", "Put the drone comb in", DRONE, "R01 R14 R30",
            f"Drones {ages['insert_comb']} to {ages['insert_comb'] + s.comb_lag_days} days old on the day.",
            earliest=comb["earliest_comb"], latest=comb["latest_comb"], hard_limit=comb["emergency_comb"],
        ),
        _step(
            bench, comb["latest_comb"], "latest_comb", "Latest safe drone comb", DRONE, "R07 R30",
            f"Drones {ages['latest_comb']} to {ages['latest_comb'] + s.comb_lag_days} days old on the day.",
        ),
        _step(
            bench, comb["emergency_comb"], "emergency_comb", "Emergency limit for a drone comb", DRONE, "R06 R30",
            f"Drones {ages['emergency_comb']} to {ages['emergency_comb'] + s.comb_lag_days} days old on the day; "
            "needs an override.",
        ),
        _step(
            bench, planned + s.comb_lag_days + s.drone_sealed_days, "count_capped",
            "Drone brood of the planned comb sealed: count it", DRONE, "R02",
            "The first number the forecast can trust.",
            latest=first_out - 1,
        ),
        _step(
            bench, first_out, "mark_drones", "First planned drones emerge: mark or confine them", DRONE, "R01",
            "Drones drift; unmarked ones cannot be told from strangers.",
            latest=first_out + s.comb_lag_days,
        ),
    ]  # fmt: skip


def _queen_steps(bench: dt.date, s: Settings) -> list[Step]:
    emergence, graft = emergence_offset(s), graft_offset(s)
    spacing = whole_days(s.co2_spacing_hours)
    return [
        _step(
            bench, graft - s.confine_before_graft_days, "confine_breeder",
            "Confine the breeder queen to a comb for 12 to 24 hours", QUEEN, "Q12 Q13",
            "All larvae are then of one age at the graft.",
        ),
        _step(
            bench, graft, "graft", "Graft", QUEEN, "Q10",
            "Larvae 12 to 24 hours old.",
            earliest=-s.virgin_age_last_days - s.graft_to_emergence_days,
            latest=-s.virgin_age_first_days - s.graft_to_emergence_days,
        ),
        _step(
            bench, graft + s.count_started_days, "count_started", "Count the accepted larvae", QUEEN, "Q18",
            "It says how many places the batch will need.",
        ),
        _step(
            bench, graft + s.queen_sealed_days, "cells_sealed", "Queen cells sealed", QUEEN, "Q04",
            "Leave them still from now on.",
        ),
        _step(
            bench, graft + s.cells_caged_days, "cage_cells",
            "Cage the ripe cells, or move them to the incubator or nucs", QUEEN, "Q21",
            "The first virgin to emerge destroys the rest of the bar.",
            earliest=graft + s.cells_caged_days - 1, hard_limit=graft + s.emergence_alarm_days,
        ),
        _step(
            bench, graft + s.emergence_alarm_days, "emergence_alarm", "Earliest emergence", QUEEN, "Q09",
            "Warm cells or older larvae emerge a day early.",
        ),
        _step(
            bench, emergence, "report_emergence", "Emergence expected; excluder on the nuc entrance", QUEEN,
            "Q09 V08", "Every age at the bench is reckoned from this day.",
            earliest=graft + s.emergence_alarm_days, latest=graft + s.emergence_late_days,
        ),
        _step(
            bench, emergence + s.excluder_alarm_age_days, "excluder_alarm",
            "Alarm if excluder or caging is not recorded", QUEEN, "V08",
            "Mating flights begin at an age of about 5 days.",
        ),
        _step(
            bench, emergence + s.virgin_age_first_days, "window_opens",
            "First allowed insemination day for this batch", QUEEN, "V02",
            f"Age {s.virgin_age_first_days} days.",
        ),
        _step(
            bench, -spacing, "first_co2", "First CO2; catch the drones today or tomorrow", QUEEN, "C02 C08 R32",
            "24 elapsed hours before the insemination.",
            earliest=-2 * spacing, hard_limit=0,
        ),
        _step(
            bench, 0, "bench_time", "Insemination with CO2; release into her own nuc", OPERATOR, "V04 C01 K05",
            f"Age {s.virgin_age_planned_days} days.",
        ),
        _step(
            bench, emergence + s.virgin_age_last_days, "last_normal", "Last normal day for this batch", QUEEN, "V03",
            f"Age {s.virgin_age_last_days} days.",
        ),
        _step(
            bench, emergence + s.virgin_age_reason_last_days, "last_with_reason", "Last day with a reason", QUEEN,
            "V02 V05", f"Age {s.virgin_age_reason_last_days} days.",
        ),
    ]  # fmt: skip


def _after(bench: dt.date, s: Settings) -> list[Step]:
    first_egg = s.egg_check_1_days
    return [
        _step(
            bench, whole_days(s.co2_spacing_hours), "second_co2",
            "Follow-up CO2 instead, if none was given before", QUEEN, "C03",
            "Two treatments start laying, whichever side of the insemination they stand.",
        ),
        _step(
            bench, whole_days(s.dose_split_spacing_hours), "second_dose", "Second dose, if the dose is split",
            OPERATOR, "D05", "Trials gave the parts two days apart.",
        ),
        _step(
            bench, s.egg_check_1_days, "egg_check_1", "Egg check 1", QUEEN, "L10",
            "Leave the nuc shut before.", earliest=s.nuc_shut_days, latest=s.egg_check_2_days - 1,
        ),
        _step(
            bench, s.egg_check_2_days, "egg_check_2", "Egg check 2", QUEEN, "L10",
            "Most queens with two CO2 treatments lay by now.", latest=s.egg_check_3_days - 1,
        ),
        _step(
            bench, s.egg_check_3_days, "egg_check_3",
            "Egg check 3; another CO2 if fewer than two are on record", QUEEN, "C23 C07",
            "With two on record a third adds nothing.", latest=s.give_up_days - 1,
        ),
        _step(
            bench, first_egg + s.sealed_brood_days, "sealed_brood", "Sealed brood: worker or drone?", QUEEN, "L13",
            "Sealed worker brood is the proof, if eggs were first seen at the first check.",
        ),
        _step(
            bench, s.give_up_days, "decide", "Decide: keep, treat again or give up", QUEEN, "L12",
            "No figure is published; the cooperative chose this day.",
        ),
        _step(
            bench, first_egg + s.own_progeny_days, "own_progeny", "Colony all of her own progeny", QUEEN, "L14",
            "Scores from now on are hers, if eggs were first seen at the first check.",
        ),
    ]  # fmt: skip
