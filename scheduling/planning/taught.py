"""What a bench's lots teach about drone sources, from one row a lot: usable share, volume, what is lost in the hand.

The same lots are asked about with every look at a page, and they change seldom: what they teach is kept beside them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from .ages import BANDS, bands_of, means_by_age, shares_by_age
from .learning import LearnedShare, Tallied, learned_lost_share, learned_of
from .pooling import (
    Ints,
    LearnedMean,
    LearnedVolume,
    Readings,
    learned_volumes,
    places_of,
    volume_rows,
    volume_start,
)

#: Source (a pool is one more), session, drones that gave semen, drones lost in the hand, drones tried, volume read in
#: tenths of a µl (None where none was read), days from the drones' emergence to the day they were tried (None where
#: they are not known).
LotRow = tuple[str, int, int, int, int, int | None, int | None]


class LotRows(tuple[LotRow, ...]):
    """Many rows that stay the same: their hash is reckoned once, not with each question about them."""

    @cached_property
    def _hash(self) -> int:
        return super().__hash__()

    def __hash__(self) -> int:
        return self._hash


@dataclass(frozen=True, slots=True)
class Start:
    """Where learning starts: a season's figures, and what is set for single sources instead.

    ``share``, ``lost`` [-]; ``kappa`` [drones]; ``ul`` of a drone [µl]; ``cv`` of it [-]; own figures by source.
    """

    share: float
    kappa: float
    lost: float
    ul: float
    cv: float
    own_shares: tuple[tuple[str, float], ...] = ()
    own_uls: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Taught:
    """By source; ``lost``: of all sources; ``sessions``: in how many its drones were tried. Not to be changed.

    ``shares_by_age``, ``volumes_by_age``: by source and band of age (`ages.BANDS`); empty where no age is on record.
    """

    shares: Mapping[str, LearnedShare]
    lost: float
    volumes: Mapping[str, LearnedVolume]
    sessions: Mapping[str, int]
    shares_by_age: Mapping[tuple[str, int], LearnedShare]
    volumes_by_age: Mapping[tuple[str, int], LearnedMean]


@lru_cache(maxsize=8)  # a question is the answer's whole key: other lots, sources or figures are another question
def taught(lots: tuple[LotRow, ...], sources: tuple[str, ...], start: Start) -> Taught:
    """Return what these lots teach about these sources.

    Parameters
    ----------
    lots : tuple of LotRow
        In an order that does not change, such as that of their numbers.
    sources : tuple of str
        Whose figures are wanted.
    start : Start
    """
    columns = _Columns.of(lots)
    tallies, readings = columns.tallies(by_band=True), columns.readings()
    volumes = learned_volumes(readings, sources, prior_ul=start.ul, prior_cv=start.cv)
    by_age = _volumes_by_age(readings, sources, start.ul, start.cv)
    for name, ul in start.own_uls:
        mine = readings.of_source(name)
        volumes |= learned_volumes(mine, [name], prior_ul=ul, prior_cv=start.cv)
        by_age = {key: mean for key, mean in by_age.items() if key[0] != name}
        by_age |= _volumes_by_age(mine, [name], ul, start.cv)
    learned = learned_of(
        columns.tallies(by_band=False),  # a day's luck is the same for drones of every age
        sources,
        prior_mean=start.share,
        prior_kappa=start.kappa,
        own_means=dict(start.own_shares),
    )
    return Taught(
        shares=learned.shares,
        lost=learned_lost_share(int(columns.lost.sum()), int(columns.drones.sum()), prior=start.lost),
        volumes=volumes,
        sessions=columns.sessions(),
        shares_by_age=shares_by_age(tallies, learned, sources, prior_mean=start.share, prior_kappa=start.kappa),
        volumes_by_age=by_age,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Columns:
    """The lots' rows in columns. ``session``: numbered from 0; ``tenths``, ``age``: -1 where they are not known."""

    names: tuple[str, ...]
    place: Ints
    session: Ints
    gave: Ints
    lost: Ints
    drones: Ints
    tenths: Ints
    age: Ints

    @classmethod
    def of(cls, lots: tuple[LotRow, ...]) -> _Columns:
        names, place = places_of([lot[0] for lot in lots])
        numbers = [
            (session, gave, lost, drones, -1 if tenths is None else tenths, -1 if age is None else age)
            for _source, session, gave, lost, drones, tenths, age in lots
        ]
        session, *others = np.array(numbers, dtype=np.int64).reshape(-1, 6).T
        return cls(names, place, np.unique(session, return_inverse=True)[1], *others)

    def tallies(self, *, by_band: bool) -> Tallied:
        """Drones that were not lost in the hand, one tally a source and session, and band of age."""
        tried = self.drones - self.lost
        some = tried > 0
        band = bands_of(self.age)[some] if by_band else np.full(some.sum(), -1)
        bands = len(BANDS) + 1
        keys = (self.place[some] * (self.session.max(initial=0) + 1) + self.session[some]) * bands + band + 1
        _keys, first, group = np.unique(keys, return_index=True, return_inverse=True)
        usable, counted = (np.bincount(group, drones[some], len(first)) for drones in (self.gave, tried))
        age = np.where(band[first] < 0, -1, self.age[some][first])
        return Tallied(self.names, self.place[some][first], usable.astype(np.int64), counted.astype(np.int64), age)

    def readings(self) -> Readings:
        read = (self.gave > 0) & (self.tenths >= 0)
        names, place = np.unique(self.place[read], return_inverse=True)
        known = tuple(self.names[i] for i in names)
        return Readings(known, place, self.tenths[read] / 10, self.gave[read], self.age[read])

    def sessions(self) -> dict[str, int]:
        """In how many sessions drones of each source were tried."""
        once = np.unique(self.place * (self.session.max(initial=0) + 1) + self.session, return_index=True)[1]
        counted = np.bincount(self.place[once], minlength=len(self.names))
        return {name: int(counted[i]) for i, name in enumerate(self.names)}


def _volumes_by_age(
    readings: Readings, sources: Iterable[str], ul: float, cv: float
) -> dict[tuple[str, int], LearnedMean]:
    return means_by_age(volume_rows(readings, ul, cv), sources, **volume_start(ul))
