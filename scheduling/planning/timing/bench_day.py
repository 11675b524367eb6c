"""The steps of one bench session, from the day before to the follow-ups."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.after_steps import egg_checks
from scheduling.planning.timing.batch_steps import catch_why
from scheduling.planning.timing.clock import elapsed_after, local_day
from scheduling.planning.timing.co2 import co2_due_after, co2_due_before
from scheduling.planning.timing.days import days_later, days_said, hours_said
from scheduling.planning.timing.steps import Step, Who
from scheduling.planning.words import message as _


def bench_day_steps(starts_at: dt.datetime, ends_at: dt.datetime, zone: str, settings: Settings) -> tuple[Step, ...]:
    """Return the steps of a session in order. Hours are elapsed hours, days are calendar days in `zone`.

    Parameters
    ----------
    starts_at, ends_at : planned beginning and end, with a time zone.

    Raises
    ------
    ValueError
        The end does not lie after the beginning, or a moment has no zone.
    """
    if elapsed_after(starts_at, 0) >= elapsed_after(ends_at, 0):
        raise ValueError("ends_at: the session ends before it starts. Enter a later end.")
    day = local_day(starts_at, zone)
    before, after = co2_due_before(starts_at, settings), co2_due_after(ends_at, settings)
    still_until = elapsed_after(ends_at, settings.keep_still_hours)
    catch_from = days_later(day, -settings.drone_catch_lead_days)
    steps = [
        Step(
            key="confirm_queens",
            what=_("Confirm each queen's emergence, age, first CO2 and nuc, and each source's health and drone ages"),
            who=Who.COORDINATOR,
            earliest=days_later(day, -2),
            best=days_later(day, -1),
            latest=day,
            hard_limit=day,
            why=_("A queen too young or too old, or a source on hold, is found before the drive, not at the bench."),
            rows=("V01", "V02", "R14"),
        ),
        Step(
            key="catch_drones",
            what=_("Catch and bring the drones"),
            who=Who.DRONE_REARER,
            earliest=catch_from,
            best=catch_from,
            latest=day,
            hard_limit=day,
            latest_at=starts_at,
            why=catch_why(settings),
            rows=("R31", "R32", "R34"),
        ),
        Step(
            key="sterilise",
            what=_("Sterilise tips and lines, prepare saline, warm the drones"),
            who=Who.OPERATOR,
            earliest=days_later(day, -1),
            best=day,
            latest=day,
            hard_limit=day,
            latest_at=starts_at,
            why=_("Contamination is named a major cause of queen death. Saline is for use on the same day."),
            rows=("N12", "N15", "R34"),
        ),
        Step(
            key="collect_semen",
            what=_("Collect semen, one source at a time"),
            who=Who.OPERATOR,
            earliest=day,
            best=day,
            latest=local_day(ends_at, zone),
            hard_limit=local_day(ends_at, zone),
            best_at=starts_at,
            latest_at=ends_at,
            why=_("A new or cleaned tip and a new lot for every source."),
            rows=("N15", "O02"),
        ),
        Step(
            key="bench_time",
            what=_("Inseminate"),
            who=Who.OPERATOR,
            earliest=day,
            best=day,
            latest=local_day(ends_at, zone),
            hard_limit=local_day(ends_at, zone),
            best_at=starts_at,
            latest_at=ends_at,
            why=_("Check the mark against the list, gas on, dose, lot, gas off."),
            rows=("V04", "C01", "D01", "D08"),
        ),
        Step(
            key="return_queens",
            what=_("Return each queen awake to her own nuc, excluder on"),
            who=Who.OPERATOR,
            earliest=day,
            best=day,
            latest=local_day(ends_at, zone),
            hard_limit=local_day(ends_at, zone),
            latest_at=ends_at,
            why=_(
                "Attacked by her workers: cage her and release after %(days)s.",
                days=days_said(settings.release_if_attacked_days),
            ),
            rows=("K05", "V08"),
        ),
        Step(
            key="close_session",
            what=_("Close: collected = dosed + stored + discarded + lost; book the follow-ups"),
            who=Who.OPERATOR,
            earliest=local_day(ends_at, zone),
            best=local_day(ends_at, zone),
            latest=days_later(local_day(ends_at, zone), 1),
            best_at=ends_at,
            why=_("The matings are written from what was really given."),
            rows=("N15",),
        ),
        Step(
            key="second_co2",
            what=_("Follow-up CO2 for queens that had none before"),
            who=Who.QUEEN_REARER,
            earliest=local_day(after.earliest_at, zone),
            best=local_day(after.best_at, zone),
            latest=local_day(after.latest_at, zone),
            earliest_at=after.earliest_at,
            best_at=after.best_at,
            latest_at=after.latest_at,
            why=_("%(hours)s elapsed after the insemination.", hours=hours_said(settings.co2_spacing_hours)),
            rows=("C03", "C17"),
        ),
        Step(
            key="keep_still",
            what=_("No travel and no cold for the nucs"),
            who=Who.QUEEN_REARER,
            earliest=day,
            best=day,
            latest=local_day(still_until, zone),
            latest_at=still_until,
            is_event=True,
            why=_("Sperm are still moving into the spermatheca."),
            rows=("K06", "K07"),
        ),
        *egg_checks(day, settings),
    ]
    if settings.co2_first_before:
        steps.insert(
            1,
            Step(
                key="first_co2",
                what=_("CO2 round"),
                who=Who.QUEEN_REARER,
                earliest=local_day(before.earliest_at, zone),
                best=local_day(before.best_at, zone),
                latest=local_day(before.latest_at, zone),
                hard_limit=max(day, local_day(before.latest_at, zone)),
                earliest_at=before.earliest_at,
                best_at=before.best_at,
                latest_at=before.latest_at,
                why=_(
                    "%(hours)s elapsed before the bench; record start, minutes, strength and who.",
                    hours=hours_said(settings.co2_spacing_hours),
                ),
                rows=("C02", "C04", "C08", "C17"),
            ),
        )
    return tuple(steps)
