"""The planning problem: who may be inseminated where and when, from which drones, within which limits.

The same dataclasses serve the application and the exchange file ``season/1``. Units are in the names:
``ul10`` is tenths of a microlitre, ``md`` thousandths of a drone and ``permille`` thousandths. Days count
from 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

Mode = Literal["each", "one", "pool"]

#: ``each``: every queen from one source, the batch may be split. ``one``: all queens of the booking from one
#: and the same source. ``pool``: homogenised semen of several sources.
MODES: tuple[Mode, ...] = ("each", "one", "pool")


@dataclass(frozen=True, slots=True)
class Rules:
    """Limits that hold for the whole season.

    Parameters
    ----------
    queen_minutes, setup_minutes : int
        Operator minutes per queen, and per source used or pool made in a session. [min]
    co2_first_age : int
        Youngest age for a CO2 treatment given before the insemination day. [d]
    max_source_share_permille : int
        Largest share of one source in the plan's total semen volume. [1/1000]
    min_sources, min_source_ul10 : int
        At least so many sources, each with at least that volume. [-], [0.1 µl]
    survival_per_day, reserve_level : float, optional
        Daily survival of drones and service level behind the weights and reserves; only told. [-]
    drone_first_age, drone_last_age : int, optional
        Ages behind the cohorts' days; only told. [d]
    """

    queen_minutes: int
    setup_minutes: int
    co2_first_age: int
    max_source_share_permille: int = 1000
    min_sources: int = 0
    min_source_ul10: int = 0
    survival_per_day: float | None = None
    drone_first_age: int | None = None
    drone_last_age: int | None = None
    reserve_level: float | None = None


@dataclass(frozen=True, slots=True)
class BenchDay:
    """What one bench can do on one day; a day without an entry has nobody there.

    Parameters
    ----------
    day : int
        Day of the horizon. [d]
    op_minutes : int
        Operator time; 0 means attended without insemination. [min]
    collect_drones : int
        Drones that the helpers can evert. [drones]
    max_queens, co2_capacity : int
        Places, and CO2 treatments given for neighbouring days. [queens]
    """

    day: int
    op_minutes: int
    collect_drones: int
    max_queens: int
    co2_capacity: int


@dataclass(frozen=True, slots=True)
class Bench:
    """A place with an insemination apparatus and the days on which it is attended."""

    id: str
    days: tuple[BenchDay, ...] = ()


@dataclass(frozen=True, slots=True)
class Cohort:
    """Drones of one source that ripen together.

    Parameters
    ----------
    first_day, last_day : int
        First and last day on which they are usable. [d]
    stock_eq : int
        Safe number of drones in emergence equivalents; a drone taken on day d uses ``weights[d]``. [1/1000]
    emerge, count : int, optional
        Day of emergence and counted drones; only told. [d], [drones]
    """

    first_day: int
    last_day: int
    stock_eq: int
    emerge: int | None = None
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A drone source with its safe reserve line.

    Parameters
    ----------
    md_per_ul10, md_fixed : int
        A volume v > 0 taken in one session reserves ``md_per_ul10 * v + md_fixed``. [md/0.1 µl], [md]
    benches : tuple of str
        Where its drones can be brought.
    share_cap_permille : int, optional
        Its own largest share of the plan's total semen volume, beside the one that holds for all. [1/1000]
    share_target_permille : int, optional
        The share of the plan's total semen volume that it shall give, as far as nothing before that suffers. [1/1000]
    usable_fraction, kappa, ul_per_drone, cv_volume : float, optional
        Yield behind the line, for the simulation only. [-], [-], [µl], [-]
    """

    id: str
    md_per_ul10: int
    md_fixed: int
    benches: tuple[str, ...]
    cohorts: tuple[Cohort, ...] = ()
    share_cap_permille: int | None = None
    share_target_permille: int | None = None
    usable_fraction: float | None = None
    kappa: float | None = None
    ul_per_drone: float | None = None
    cv_volume: float | None = None


@dataclass(frozen=True, slots=True)
class Member:
    """Who books."""

    id: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """A source that a booking accepts, with the merit of the mating."""

    id: str
    merit: int = 0


@dataclass(frozen=True, slots=True)
class Excluded:
    """A source that a booking must not use, with the reason."""

    id: str
    reason: str = ""
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Booking:
    """Queens of one batch that shall be inseminated.

    Parameters
    ----------
    queens : int
        How many are asked for. [queens]
    emerge : int
        Day on which they emerge, may be negative. [d]
    age_min, age_max, best_min, best_max : int
        Ages allowed and ages wished for. [d]
    ul10 : int
        Semen volume of one queen. [0.1 µl]
    min_sources, part_cap_permille : int
        Of a pool: fewest parts, largest share of a part. [-], [1/1000]
    pool : str, optional
        Bookings with the same name may share a pool.
    """

    id: str
    member: str
    queens: int
    emerge: int
    ul10: int
    age_min: int
    age_max: int
    benches: tuple[str, ...]
    sources: tuple[Accepted, ...]
    mode: Mode = "each"
    best_min: int = 0
    best_max: int = 0
    excluded: tuple[Excluded, ...] = ()
    pool: str | None = None
    min_sources: int = 1
    part_cap_permille: int = 1000

    @property
    def first_day(self) -> int:
        """First day of the age window, before cutting to the horizon."""
        return self.emerge + self.age_min

    @property
    def last_day(self) -> int:
        """Last day of the age window, before cutting to the horizon."""
        return self.emerge + self.age_max


@dataclass(frozen=True, slots=True)
class Placement:
    """So many queens of a booking in one session, from a source or from a pool (exactly one is given)."""

    booking: str
    bench: str
    day: int
    queens: int
    source: str | None = None
    pool: str | None = None


@dataclass(frozen=True, slots=True)
class Problem:
    """One season to be planned.

    Parameters
    ----------
    days : int
        Length of the horizon. [d]
    weights : tuple of int
        Emergence equivalents of one drone taken on each day, ``round(1000 * survival ** -day)``. [1/1000]
    frozen : tuple of Placement
        Must be in the plan with at least that number of queens.
    published : tuple of Placement
        What members were told, for the goal of moving few.
    meta : mapping
        Anything the writer wants to keep.
    """

    name: str
    days: int
    weights: tuple[int, ...]
    rules: Rules
    benches: tuple[Bench, ...] = ()
    sources: tuple[Source, ...] = ()
    members: tuple[Member, ...] = ()
    bookings: tuple[Booking, ...] = ()
    frozen: tuple[Placement, ...] = ()
    published: tuple[Placement, ...] = ()
    meta: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def requested(self) -> int:
        return sum(booking.queens for booking in self.bookings)

    def share_cap(self, source: Source) -> int:
        """Return the largest share of a source in the plan's semen: its own or the one for all. [1/1000]"""
        own = source.share_cap_permille
        cap = self.rules.max_source_share_permille
        return cap if own is None else min(own, cap)

    @property
    def aims_at_shares(self) -> bool:
        return any(source.share_target_permille is not None for source in self.sources)

    @property
    def caps_shares(self) -> bool:
        return any(self.share_cap(source) < 1000 for source in self.sources)
