"""“Can I still?”: what can be begun today for a wanted bench day, and by when each step must be."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from scheduling.planning.facts import Settings
from scheduling.planning.timing.backward import comb_offsets, emergence_offset, graft_offset
from scheduling.planning.timing.days import days_later, whole_days
from scheduling.planning.timing.steps import BatchCalendar, CohortCalendar, DroneFit, Fit, Who
from scheduling.planning.words import Words
from scheduling.planning.words import message as _


class Chance(StrEnum):
    """How today stands to a deadline."""

    IN_TIME = "in_time"
    LATE = "late"
    NEEDS_REASON = "needs_reason"
    TOO_LATE = "too_late"


NAMED = 5  # batches, or combs, in the answer itself; all of them stand below it
_RIPE = (DroneFit.RIPE, DroneFit.FADING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Deadline:
    """The last days to begin a step: as planned, still safe, and with a reason given."""

    key: str
    what: Words
    who: Who
    planned_on: dt.date
    last_on: dt.date
    last_with_reason_on: dt.date
    chance: Chance
    rows: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CanStill:
    """Answer for one bench day.

    Parameters
    ----------
    queens, drones : whether a graft, and a new drone comb, begun today can still serve.
    fits, queen_fits : how the day suits each cohort, and each batch, that was asked about.
    line : one sentence for the drones and one for the queens, that say what to do.
    is_over : the bench day lies before today.
    """

    bench_day: dt.date
    deadlines: tuple[Deadline, ...]
    queens: Chance
    drones: Chance
    fits: Mapping[str, DroneFit] = field(default_factory=dict)
    queen_fits: Mapping[str, Fit] = field(default_factory=dict)
    first_day_from_graft: dt.date
    first_day_from_comb: dt.date
    line: Words
    is_over: bool

    @property
    def suiting(self) -> tuple[str, ...]:
        """Batches whose virgins are all of a normal age on the day."""
        return tuple(name for name, fit in self.queen_fits.items() if fit is Fit.NORMAL)

    @property
    def ripe(self) -> tuple[str, ...]:
        """Cohorts whose drones may all be used on the day without a reason."""
        return tuple(name for name, fit in self.fits.items() if fit in _RIPE)

    @property
    def headline(self) -> Words:
        """The finding in a few words."""
        day, no_drones = self.bench_day, not self.ripe and self.drones is Chance.TOO_LATE
        if self.is_over:
            return _("%(day)s is over", day=day)
        if not self.suiting_or_graft:
            if no_drones:
                return _("%(day)s can no longer be reached", day=day)
            return _("%(day)s is too late for a new graft", day=day)
        return (
            _("%(day)s is too late for new drones", day=day)
            if no_drones
            else _("%(day)s can still be reached", day=day)
        )

    @property
    def suiting_or_graft(self) -> bool:
        """Whether there are queens for the day, or a graft can still make them."""
        return bool(self.suiting) or self.queens is not Chance.TOO_LATE

    def deadline(self, key: str) -> Deadline:
        return next(deadline for deadline in self.deadlines if deadline.key == key)


def can_still(
    today: dt.date,
    bench_day: dt.date,
    settings: Settings,
    cohorts: Mapping[str, CohortCalendar] | None = None,
    batches: Mapping[str, BatchCalendar] | None = None,
) -> CanStill:
    """Return what can still be begun on `today` for `bench_day`.

    Parameters
    ----------
    cohorts, batches : calendars of drone cohorts and of batches under way, by any name, to be judged on that day.
    """
    deadlines = _deadlines(today, bench_day, settings)
    chances = {deadline.key: deadline.chance for deadline in deadlines}
    answer = CanStill(
        bench_day=bench_day,
        deadlines=deadlines,
        queens=chances["graft"],
        drones=chances["insert_comb"],
        fits={name: calendar.fit(bench_day) for name, calendar in (cohorts or {}).items()},
        queen_fits={name: calendar.window.fit(bench_day) for name, calendar in (batches or {}).items()},
        first_day_from_graft=days_later(today, settings.graft_to_emergence_days + settings.virgin_age_first_days),
        first_day_from_comb=days_later(today, -comb_offsets(settings)["latest_comb"]),
        line=Words(""),
        is_over=bench_day < today,
    )
    return replace(answer, line=_line(answer))


def _deadlines(today: dt.date, bench_day: dt.date, s: Settings) -> tuple[Deadline, ...]:
    comb, graft, emergence = comb_offsets(s), graft_offset(s), emergence_offset(s)
    last_emergence = -s.virgin_age_first_days
    last_graft = last_emergence - s.graft_to_emergence_days
    confine = s.confine_before_graft_days
    spacing = whole_days(s.co2_spacing_hours)
    rows = (
        (
            "programme_start", _("Begin the drone programme"), Who.DRONE_REARER,
            (-s.drone_programme_days, comb["latest_comb"], comb["emergency_comb"]), ("R28",),
        ),
        (
            "insert_comb", _("Put the drone comb in"), Who.DRONE_REARER,
            (comb["insert_comb"], comb["latest_comb"], comb["emergency_comb"]), ("R01", "R06", "R14", "R30"),
        ),
        (
            "confine_breeder", _("Confine the breeder queen"), Who.QUEEN_REARER,
            (graft - confine, last_graft - confine, last_graft), ("Q12", "Q13"),
        ),
        ("graft", _("Graft"), Who.QUEEN_REARER, (graft, last_graft, last_graft), ("Q09", "V01", "V02", "V04")),
        (
            "cage_cells", _("Cage the ripe cells"), Who.QUEEN_REARER,
            (graft + s.cells_caged_days, *[last_graft + s.emergence_alarm_days - 1] * 2), ("Q14", "Q21"),
        ),
        (
            "excluder_on", _("Fit the excluder"), Who.QUEEN_REARER,
            (emergence + s.excluder_on_age_days, *[last_emergence + s.excluder_alarm_age_days - 1] * 2),
            ("V06", "V07", "V08"),
        ),
        (
            "catch_drones", _("Catch and bring the drones"), Who.DRONE_REARER,
            (-s.drone_catch_lead_days, 0, 0), ("R31", "R32"),
        ),
        (
            "first_co2", _("First CO2, before or after"), Who.QUEEN_REARER,
            (-spacing, spacing, 2 * spacing), ("C02", "C03"),
        ),
    )  # fmt: skip
    return tuple(
        Deadline(
            key=key,
            what=what,
            who=who,
            planned_on=days_later(bench_day, min(planned, last)),
            last_on=days_later(bench_day, last),
            last_with_reason_on=days_later(bench_day, with_reason),
            chance=_chance((today - bench_day).days, planned, last, with_reason),
            rows=row_ids,
        )
        for key, what, who, (planned, last, with_reason), row_ids in rows
    )


def _chance(day: int, planned: int, last: int, with_reason: int) -> Chance:
    if day <= planned:
        return Chance.IN_TIME
    if day <= last:
        return Chance.LATE
    return Chance.NEEDS_REASON if day <= with_reason else Chance.TOO_LATE


def _line(answer: CanStill) -> Words:
    """One sentence for the drones and one for the queens, what cannot be helped in front."""
    if answer.is_over:
        return _(
            "%(day)s is over. From a graft today the first bench day is %(first)s.",
            day=answer.bench_day,
            first=answer.first_day_from_graft,
        )
    lines = _queens_line(answer), _drones_line(answer)
    first, second = lines if answer.ripe or not answer.suiting_or_graft else lines[::-1]
    return _("%(first)s %(second)s", first=first, second=second)


def _first_of(names: Sequence[str]) -> str | Words:
    """A few names, and how many more there are: never one, which takes no more room itself."""
    if len(names) <= NAMED + 1:
        return ", ".join(names)
    return _("%(names)s and %(n)s more", names=", ".join(names[:NAMED]), n=len(names) - NAMED)


def _queens_line(answer: CanStill) -> Words:
    graft = answer.deadline("graft")
    if answer.suiting:
        return _("Queens of the right age that day: %(batches)s.", batches=_first_of(answer.suiting))
    if graft.chance is Chance.TOO_LATE:
        return _(
            "Too late to graft for %(day)s: the last day was %(last)s. From a graft today the first bench day is "
            "%(first)s.",
            day=answer.bench_day,
            last=graft.last_on,
            first=answer.first_day_from_graft,
        )
    if graft.chance is Chance.LATE:
        return _("Graft now, by %(last)s at the latest; the virgins will be young.", last=graft.last_on)
    return _("Graft on %(planned)s, by %(last)s at the latest.", planned=graft.planned_on, last=graft.last_on)


def _drones_line(answer: CanStill) -> Words:
    comb, from_comb = answer.deadline("insert_comb"), answer.first_day_from_comb
    if answer.ripe:
        return _("Ripe drones that day: %(combs)s.", combs=_first_of(answer.ripe))
    if comb.chance is Chance.TOO_LATE:
        return _(
            "Too late for new drones: the last comb for %(day)s was %(last)s. Use stored semen or another source; "
            "from a comb today the first day is %(first)s.",
            day=answer.bench_day,
            last=comb.last_with_reason_on,
            first=from_comb,
        )
    if comb.chance is Chance.NEEDS_REASON:
        return _(
            "Put the comb in today, by %(last)s; its drones will need a reason, or choose %(first)s.",
            last=comb.last_with_reason_on,
            first=from_comb,
        )
    if comb.chance is Chance.LATE:
        return _("Put the comb in today, by %(last)s at the latest.", last=comb.last_on)
    return _("Put the comb in on %(planned)s, by %(last)s at the latest.", planned=comb.planned_on, last=comb.last_on)
