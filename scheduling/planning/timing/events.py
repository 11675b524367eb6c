"""What was really observed, and what is wished: the input of every calendar. Nothing here is a forecast.

Days that contradict each other are taken as they are: `orders` names them. Hours and moments must be such.
"""

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum

from scheduling.planning.words import Words
from scheduling.planning.words import message as _


class EventError(ValueError):
    """Events no calendar can be worked out from. `field` names the one to look at, the text says what is so."""

    def __init__(self, field: str, text: Words) -> None:
        super().__init__(f"{field}: {text}")
        self.field = field
        self.text = text


class Co2Way(StrEnum):
    """On which side of the insemination the treatment of its own comes. BOTH: some queens so, some so."""

    BEFORE = "before"
    AFTER = "after"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class Emergence:
    """Virgins of a batch that emerged on one day; a batch may have several."""

    on: dt.date
    hour: int | None = None
    virgins: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchEvents:
    """A queen batch, or one queen of it, as observed. Days are calendar days in `zone`, moments carry a zone.

    Parameters
    ----------
    wanted_bench_on : day the batch is planned backwards from, when nothing has been grafted yet.
    bench_on, bench_at : the booked place. No observation ever moves it.
    co2_way : the side of the insemination that was planned for the other CO2; None: the season's figure decides.
    co2_at : CO2 treatments besides those on the hook; the end of each.
    doses_at : inseminations; each counts as a CO2 treatment too. The first is day 0 of the checks.
    is_split_dose : a second dose is planned.
    """

    zone: str = "UTC"
    wanted_bench_on: dt.date | None = None
    planned_graft_on: dt.date | None = None
    confined_on: dt.date | None = None
    grafted_on: dt.date | None = None
    grafted_hour: int | None = None
    cells_grafted: int | None = None
    counted_on: dt.date | None = None
    cells_started: int | None = None
    sealed_on: dt.date | None = None
    cell_temperature_c: Decimal | None = None
    caged_on: dt.date | None = None
    emergences: tuple[Emergence, ...] = ()
    excluder_on: dt.date | None = None
    bench_on: dt.date | None = None
    bench_at: dt.datetime | None = None
    co2_way: Co2Way | None = None
    is_split_dose: bool = False
    co2_at: tuple[dt.datetime, ...] = ()
    doses_at: tuple[dt.datetime, ...] = ()
    eggs_seen_on: dt.date | None = None
    sealed_brood_on: dt.date | None = None
    closed_on: dt.date | None = None

    def __post_init__(self) -> None:
        for field, hour in (
            ("grafted_hour", self.grafted_hour),
            *(("emergences", emergence.hour) for emergence in self.emergences),
        ):
            if hour is not None and not 0 <= hour <= 23:
                raise EventError(field, _("%(hour)s is no hour of the day. Enter 0 to 23.", hour=hour))
        for name, moments in (("co2_at", self.co2_at), ("doses_at", self.doses_at)):
            if any(moment.utcoffset() is None for moment in moments):
                raise EventError(name, _("A moment needs a time zone; this one carries none."))
        if self.bench_at is not None and self.bench_at.utcoffset() is None:
            raise EventError("bench_at", _("A moment needs a time zone; this one carries none."))

    @property
    def inseminated_at(self) -> dt.datetime | None:
        return min(self.doses_at, default=None)

    def since(self, inseminated_on: dt.date) -> "BatchEvents":
        """The same without eggs and brood of that day or before: those tell nothing of this insemination."""
        eggs, brood = self.eggs_seen_on, self.sealed_brood_on
        return replace(
            self,
            eggs_seen_on=eggs if eggs is not None and eggs > inseminated_on else None,
            sealed_brood_on=brood if brood is not None and brood > inseminated_on else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CohortEvents:
    """The drones of one comb as observed. The first of them each time: first eggs, first cap, first drone.

    `capped_counted_on` and `last_counted_on` are days of counts: they settle steps and move no date.
    """

    zone: str = "UTC"
    promised_comb_on: dt.date | None = None
    comb_in_on: dt.date | None = None
    laid_on: dt.date | None = None
    capped_on: dt.date | None = None
    emerged_on: dt.date | None = None
    marked_on: dt.date | None = None
    capped_counted_on: dt.date | None = None
    last_counted_on: dt.date | None = None
    ended_on: dt.date | None = None
