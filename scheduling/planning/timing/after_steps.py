"""What follows an insemination: second CO2, rest, second dose, eggs, brood, decision."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.clock import elapsed_after, elapsed_hours, local_day
from scheduling.planning.timing.co2 import (
    co2_apart_after,
    co2_due_after,
    co2_record,
    co2_third_from,
    co2_too_near,
    is_co2_after,
)
from scheduling.planning.timing.days import days_later, hours_said, whole_days
from scheduling.planning.timing.events import BatchEvents
from scheduling.planning.timing.steps import Step, Who, Window
from scheduling.planning.words import message as _


def after_steps(events: BatchEvents, bench_on: dt.date, window: Window, settings: Settings) -> list[Step]:
    """Return the steps after the insemination, reckoned from the real one when there was one."""
    done_at = events.inseminated_at
    day0 = bench_on if done_at is None else local_day(done_at, events.zone)
    moment0 = events.bench_at if done_at is None else done_at
    events = events.since(day0)
    return [
        *_second_co2(events, day0, moment0, settings),
        _keep_still(day0, moment0, settings, events.zone),
        *_second_dose(events, day0, moment0, window, settings),
        *egg_checks(day0, settings, eggs_seen_on=events.eggs_seen_on),
        *_third_co2(events, day0, settings),
        *_brood_steps(events, day0, settings),
    ]


def _second_co2(events: BatchEvents, day0: dt.date, moment0: dt.datetime | None, settings: Settings) -> list[Step]:
    after = co2_apart_after(events.co2_at, events.inseminated_at, settings)
    counted = co2_record((*events.co2_at, *events.doses_at), settings)
    if events.inseminated_at is None:
        is_wanted = is_co2_after(events, settings) or bool(co2_too_near(events, settings))
    else:
        is_wanted = bool(after) or not counted.is_complete
    if not is_wanted:
        return []
    spacing = whole_days(settings.co2_spacing_hours)
    due = None if moment0 is None else co2_due_after(moment0, settings)
    best = days_later(day0, spacing) if due is None else local_day(due.best_at, events.zone)
    return [
        Step(
            key="second_co2",
            what=_("Second CO2"),
            who=Who.QUEEN_REARER,
            earliest=best if due is None else local_day(due.earliest_at, events.zone),
            best=best,
            latest=days_later(day0, 2 * spacing) if due is None else local_day(due.latest_at, events.zone),
            earliest_at=None if due is None else due.earliest_at,
            best_at=None if due is None else due.best_at,
            latest_at=None if due is None else due.latest_at,
            done_on=local_day(max(after), events.zone) if after and counted.is_complete else None,
            why=_(
                "%(hours)s elapsed after the other. Forgotten: give it late, she only lays later.",
                hours=hours_said(settings.co2_spacing_hours),
            ),
            rows=("C01", "C03", "C17"),
        )
    ]


def _keep_still(day0: dt.date, moment0: dt.datetime | None, settings: Settings, zone: str) -> Step:
    until = None if moment0 is None else elapsed_after(moment0, settings.keep_still_hours)
    until_on = days_later(day0, whole_days(settings.keep_still_hours)) if until is None else local_day(until, zone)
    return Step(
        key="keep_still",
        what=_("Keep her warm and do not move the nuc"),
        who=Who.QUEEN_REARER,
        earliest=day0,
        best=day0,
        latest=until_on,
        latest_at=until,
        is_event=True,
        why=_("Sperm are still moving into the spermatheca; cold and travel cost most now."),
        rows=("K05", "K06", "K07"),
    )


def _second_dose(
    events: BatchEvents, day0: dt.date, moment0: dt.datetime | None, window: Window, settings: Settings
) -> list[Step]:
    if not events.is_split_dose:
        return []
    spacing = settings.dose_split_spacing_hours
    due = None if moment0 is None else elapsed_after(moment0, spacing)
    # A dose soon after the first tops it up; one that comes after half the spacing is the second (our choice).
    given = next((d for d in sorted(events.doses_at) if elapsed_hours(min(events.doses_at), d) >= spacing / 2), None)
    best = days_later(day0, whole_days(spacing)) if due is None else local_day(due, events.zone)
    return [
        Step(
            key="second_dose",
            what=_("Second dose"),
            who=Who.OPERATOR,
            earliest=best,
            best=best,
            latest=days_later(best, 1),
            hard_limit=max(days_later(best, 1), window.last_with_reason_on),
            best_at=due,
            done_on=None if given is None else local_day(given, events.zone),
            why=_("Small doses with a pause between them store more sperm than one large."),
            rows=("D03", "D04", "D05", "V05"),
        )
    ]


def egg_checks(day0: dt.date, settings: Settings, *, eggs_seen_on: dt.date | None = None) -> list[Step]:
    """Return the three egg checks after an insemination on `day0`; eggs seen settle all of them."""
    offsets = (settings.egg_check_1_days, settings.egg_check_2_days, settings.egg_check_3_days)
    nexts = (*offsets[1:], settings.give_up_days)
    whys = (
        _("Leave the nuc shut before. An egg is no proof yet: CO2 alone starts laying."),
        _("Most queens with all their CO2 treatments lay by now."),
        _(
            "Without eggs and with fewer CO2 treatments on record than the %(wanted)s she should have, "
            "another one is worth giving.",
            wanted=settings.co2_treatments,
        ),
    )
    return [
        Step(
            key=f"egg_check_{number}",
            what=_("Egg check %(number)s", number=number),
            who=Who.QUEEN_REARER,
            earliest=days_later(day0, settings.nuc_shut_days if number == 1 else offset),
            best=days_later(day0, offset),
            latest=days_later(day0, max(offset, following - 1)),
            # From the next check's day on it is that check; the last one stays until it has to be decided.
            hard_limit=days_later(day0, max(offset, following - 1) if number < 3 else settings.give_up_last_days),
            done_on=eggs_seen_on,
            why=why,
            rows=("L09", "L10", "L12") if number < 3 else ("C07", "C23", "L10", "L12"),
        )
        for number, (offset, following, why) in enumerate(zip(offsets, nexts, whys, strict=True), start=1)
    ]


def _third_co2(events: BatchEvents, day0: dt.date, settings: Settings) -> list[Step]:
    if events.inseminated_at is None:
        return []
    since = co2_third_from(
        co2_record((*events.co2_at, *events.doses_at), settings),
        inseminated_on=day0,
        eggs_seen=events.eggs_seen_on is not None,
        settings=settings,
    )
    if since is None:
        return []
    return [
        Step(
            key="third_co2",
            what=_("Another CO2, if there are no eggs"),
            who=Who.QUEEN_REARER,
            earliest=since,
            best=since,
            latest=max(since, days_later(day0, settings.give_up_days)),
            hard_limit=max(since, days_later(day0, settings.give_up_last_days)),
            why=_(
                "Fewer treatments are on record than the %(wanted)s she should have. With these it would add nothing.",
                wanted=settings.co2_treatments,
            ),
            rows=("C07", "C23", "L12"),
        )
    ]


def _brood_steps(events: BatchEvents, day0: dt.date, settings: Settings) -> list[Step]:
    first_egg = events.eggs_seen_on or days_later(day0, settings.egg_check_1_days)
    sealed = days_later(first_egg, settings.sealed_brood_days)
    decide = days_later(day0, settings.give_up_days)
    own = days_later(first_egg, settings.own_progeny_days)
    return [
        Step(
            key="excluder_off",
            what=_("Take the excluder off once eggs are seen"),
            who=Who.QUEEN_REARER,
            earliest=first_egg,
            best=first_egg,
            latest=sealed,
            done_on=events.sealed_brood_on,
            why=_("It stays on until she lays. Whoever saw her sealed brood has had her hive open since."),
            rows=("V09",),
        ),
        Step(
            key="sealed_brood",
            what=_("Look at the sealed brood: worker or drone?"),
            who=Who.QUEEN_REARER,
            earliest=sealed,
            best=sealed,
            latest=days_later(sealed, 1),
            done_on=events.sealed_brood_on,
            why=_("Sealed worker brood in a solid pattern is the proof of success."),
            rows=("L13", "G01"),
        ),
        Step(
            key="decide",
            what=_("Decide: keep, treat again or give up"),
            who=Who.QUEEN_REARER,
            earliest=decide,
            best=decide,
            latest=days_later(day0, settings.give_up_last_days),
            hard_limit=days_later(day0, settings.give_up_last_days),
            done_on=events.sealed_brood_on,
            why=_("No figure is published; the cooperative chose this day."),
            rows=("L12",),
        ),
        Step(
            key="own_progeny",
            what=_("Colony all of her own progeny"),
            who=Who.QUEEN_REARER,
            earliest=own,
            best=own,
            latest=own,
            is_event=True,
            why=_("Scores from now on are hers."),
            rows=("L14",),
        ),
    ]
