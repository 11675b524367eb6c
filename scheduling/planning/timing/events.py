"""What was really observed, and what is wished: the input of every calendar. Nothing here is a forecast."""

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise


class EventError(ValueError):
    """Events that contradict each other. `field` names the one to look at, the text says what is so."""

    def __init__(self, field: str, text: str) -> None:
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
                raise EventError(field, f"{hour} is no hour of the day. Enter 0 to 23.")
        for name, moments in (("co2_at", self.co2_at), ("doses_at", self.doses_at)):
            if any(moment.utcoffset() is None for moment in moments):
                raise EventError(name, "a moment needs a time zone; this one carries none.")
        if self.bench_at is not None and self.bench_at.utcoffset() is None:
            raise EventError("bench_at", "a moment needs a time zone; this one carries none.")
        first_emerged = min((emergence.on for emergence in self.emergences), default=None)
        _refuse_disorder(
            ("confined_on", self.confined_on, "the breeder queen was confined"),
            ("grafted_on", self.grafted_on, "the graft"),
            ("sealed_on", self.sealed_on, "the cells were sealed"),
            ("emergences", first_emerged, "the first virgin emerged"),
            ("eggs_seen_on", self.eggs_seen_on, "eggs were seen"),
            ("sealed_brood_on", self.sealed_brood_on, "sealed brood was seen"),
        )

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

    def __post_init__(self) -> None:
        _refuse_disorder(
            ("comb_in_on", self.comb_in_on, "the comb was put in"),
            ("laid_on", self.laid_on, "the first eggs were seen"),
            ("capped_on", self.capped_on, "the first cells were capped"),
            ("emerged_on", self.emerged_on, "the first drone emerged"),
            ("ended_on", self.ended_on, "the cohort ended"),
        )


def _refuse_disorder(*named: tuple[str, dt.date | None, str]) -> None:
    known = [(name, day, what) for name, day, what in named if day is not None]
    for (_, earlier, what), (name, later, then) in pairwise(known):
        if later < earlier:
            raise EventError(name, f"{then} on {later}, before {what} on {earlier}. Correct one of the two days.")
