"""Records that cannot both be so: a step written down for a day before one that must come first.

Nothing here stops a calendar: what is on record gives its dates as well as it can, and a note names both days.
Services refuse with the same rules what would be written anew.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from scheduling.planning.timing.clock import local_day
from scheduling.planning.timing.events import BatchEvents, CohortEvents
from scheduling.planning.timing.steps import Note
from scheduling.planning.words import Words
from scheduling.planning.words import message as _

# What is recorded, and what must have come before it: on the same day or earlier, the last of them first.
BATCH_ORDER: Mapping[str, tuple[str, ...]] = {
    "grafted_on": ("confined_on",),
    "counted_on": ("grafted_on",),
    "sealed_on": ("grafted_on",),
    "caged_on": ("grafted_on",),
    "emergences": ("sealed_on", "grafted_on"),
    "excluder_on": ("grafted_on",),
    "co2_at": ("emergences", "grafted_on"),
    "doses_at": ("emergences", "grafted_on"),
    "eggs_seen_on": ("emergences", "sealed_on", "grafted_on"),
    "sealed_brood_on": ("eggs_seen_on", "emergences", "grafted_on"),
}
COHORT_ORDER: Mapping[str, tuple[str, ...]] = {
    "laid_on": ("comb_in_on",),
    "capped_on": ("laid_on", "comb_in_on"),
    "capped_counted_on": ("laid_on", "comb_in_on"),
    "emerged_on": ("capped_on", "laid_on", "comb_in_on"),
    "marked_on": ("capped_on", "laid_on", "comb_in_on"),
    "last_counted_on": ("capped_on", "laid_on", "comb_in_on"),
    "ended_on": ("emerged_on", "capped_on", "laid_on", "comb_in_on"),
}
_SAID: Mapping[str, Words] = {
    "confined_on": _("confining the breeder queen"),
    "grafted_on": _("the graft"),
    "counted_on": _("the count of started cells"),
    "sealed_on": _("the sealing of the cells"),
    "caged_on": _("caging"),
    "emergences": _("the first emergence"),
    "excluder_on": _("the excluder"),
    "co2_at": _("CO2"),
    "doses_at": _("the insemination"),
    "eggs_seen_on": _("the first eggs"),
    "sealed_brood_on": _("sealed brood"),
    "comb_in_on": _("the drone comb"),
    "laid_on": _("the first eggs"),
    "capped_on": _("the first capped cells"),
    "capped_counted_on": _("the count of capped brood"),
    "emerged_on": _("the first drone"),
    "marked_on": _("marking or confining"),
    "last_counted_on": _("the count of drones"),
    "ended_on": _("the end of the cohort"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Disorder:
    """`field` is recorded for `on`, which lies before `before_on`, the day of `before` that must come first."""

    field: str
    on: dt.date
    before: str
    before_on: dt.date

    @property
    def text(self) -> Words:
        return _(
            "Recorded: %(late)s on %(late_day)s, before %(early)s on %(early_day)s.",
            late=_SAID[self.field],
            late_day=self.on,
            early=_SAID[self.before],
            early_day=self.before_on,
        )

    @property
    def help(self) -> Words:
        return _("Both cannot be so: please look at the dates and correct one of them.")


def disorders(events: BatchEvents | CohortEvents) -> tuple[Disorder, ...]:
    """Return every record that stands before one that must come first; each once, with the nearest of those."""
    order = BATCH_ORDER if isinstance(events, BatchEvents) else COHORT_ORDER
    found = []
    for field, befores in order.items():
        on = _day(events, field)
        for before in befores:
            before_on = _day(events, before)
            if on is not None and before_on is not None and on < before_on:
                found.append(Disorder(field=field, on=on, before=before, before_on=before_on))
                break
    return tuple(found)


def order_notes(events: BatchEvents | CohortEvents) -> tuple[Note, ...]:
    """Return a note for each disorder; its key names the record that stands too early."""
    return tuple(
        Note(key=f"order_{disorder.field}", text=disorder.text, help=disorder.help) for disorder in disorders(events)
    )


def _day(events: BatchEvents | CohortEvents, field: str) -> dt.date | None:
    """The first day of what is recorded there."""
    value = getattr(events, field)
    if field == "emergences":
        return min((emergence.on for emergence in value), default=None)
    if field.endswith("_at"):
        return local_day(min(value), events.zone) if value else None
    assert value is None or isinstance(value, dt.date)
    return value
