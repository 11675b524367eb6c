"""What a bench's lots teach about drone sources, from one row a lot: usable share, volume, what is lost in the hand.

The same lots are asked about with every look at a page, and they change seldom: what they teach is kept beside them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from .ages import band_of, means_by_age, shares_by_age
from .learning import LearnedShare, Tally, learned_lost_share, learned_of
from .pooling import LearnedMean, LearnedVolume, Reading, learned_volumes, volume_rows, volume_start

#: Source (a pool is one more), session, drones that gave semen, drones lost in the hand, drones tried, volume read in
#: tenths of a µl (None while the lot is still being filled: then the drones run ahead of the reading), days from the
#: drones' emergence to the day they were tried (None where they are not known).
LotRow = tuple[str, int, int, int, int, int | None, int | None]


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
    tallies, readings = _tallies(lots), _readings(lots)
    volumes = learned_volumes(readings, sources, prior_ul=start.ul, prior_cv=start.cv)
    by_age = _volumes_by_age(readings, sources, start.ul, start.cv)
    for name, ul in start.own_uls:
        mine = [reading for reading in readings if reading.source == name]
        volumes |= learned_volumes(mine, [name], prior_ul=ul, prior_cv=start.cv)
        by_age = {key: mean for key, mean in by_age.items() if key[0] != name}
        by_age |= _volumes_by_age(mine, [name], ul, start.cv)
    learned = learned_of(
        _of_days(tallies),
        sources,
        prior_mean=start.share,
        prior_kappa=start.kappa,
        own_means=dict(start.own_shares),
    )
    return Taught(
        shares=learned.shares,
        lost=learned_lost_share(sum(lot[3] for lot in lots), sum(lot[4] for lot in lots), prior=start.lost),
        volumes=volumes,
        sessions=Counter(source for source, _session in {lot[:2] for lot in lots}),
        shares_by_age=shares_by_age(
            list(tallies.values()), learned, sources, prior_mean=start.share, prior_kappa=start.kappa
        ),
        volumes_by_age=by_age,
    )


def _tallies(lots: tuple[LotRow, ...]) -> dict[tuple[str, int, int | None], Tally]:
    """Drones that were not lost in the hand, by source, session and band of age."""
    found: dict[tuple[str, int, int | None], Tally] = {}
    for source, session, gave, lost, drones, _tenths, age in lots:
        if drones > lost:
            key = source, session, None if age is None else band_of(age)
            before = found.get(key, Tally(source, 0, 0, age))
            found[key] = Tally(source, before.usable + gave, before.tried + drones - lost, age)
    return found


def _of_days(tallies: Mapping[tuple[str, int, int | None], Tally]) -> list[Tally]:
    """One a source and session: a day's luck is the same for drones of every age."""
    found: dict[tuple[str, int], Tally] = {}
    for (source, session, _band), tally in tallies.items():
        before = found.get((source, session), Tally(source, 0, 0))
        found[source, session] = Tally(source, before.usable + tally.usable, before.tried + tally.tried)
    return list(found.values())


def _readings(lots: tuple[LotRow, ...]) -> list[Reading]:
    return [
        Reading(source, tenths / 10, gave, age)
        for source, _session, gave, _lost, _drones, tenths, age in lots
        if gave and tenths is not None
    ]


def _volumes_by_age(
    readings: list[Reading], sources: Iterable[str], ul: float, cv: float
) -> dict[tuple[str, int], LearnedMean]:
    return means_by_age(volume_rows(readings, ul, cv), sources, **volume_start(ul))
