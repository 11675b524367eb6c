"""What a bench's lots teach about drone sources, from one row a lot: usable share, volume, what is lost in the hand.

The same lots are asked about with every look at a page, and they change seldom: what they teach is kept beside them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from .learning import LearnedShare, Tally, learned_lost_share, learned_shares
from .pooling import LearnedVolume, Reading, learned_volumes

#: Source (a pool is one more), session, drones that gave semen, drones lost in the hand, drones tried, volume read in
#: tenths of a µl (None while the lot is still being filled: then the drones run ahead of the reading).
LotRow = tuple[str, int, int, int, int, int | None]


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
    """By source; ``lost``: of all sources; ``sessions``: in how many its drones were tried. Not to be changed."""

    shares: Mapping[str, LearnedShare]
    lost: float
    volumes: Mapping[str, LearnedVolume]
    sessions: Mapping[str, int]


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
    tried: dict[tuple[str, int], int] = {}
    usable: dict[tuple[str, int], int] = {}
    readings = []
    for source, session, gave, lost, drones, tenths in lots:
        if drones > lost:
            key = (source, session)
            tried[key] = tried.get(key, 0) + drones - lost
            usable[key] = usable.get(key, 0) + gave
        if gave and tenths is not None:
            readings.append(Reading(source, tenths / 10, gave))
    volumes = learned_volumes(readings, sources, prior_ul=start.ul, prior_cv=start.cv)
    for name, ul in start.own_uls:
        mine = [reading for reading in readings if reading.source == name]
        volumes |= learned_volumes(mine, [name], prior_ul=ul, prior_cv=start.cv)
    return Taught(
        shares=learned_shares(
            [Tally(source, usable[source, session], n) for (source, session), n in tried.items()],
            sources,
            prior_mean=start.share,
            prior_kappa=start.kappa,
            own_means=dict(start.own_shares),
        ),
        lost=learned_lost_share(sum(lot[3] for lot in lots), sum(lot[4] for lot in lots), prior=start.lost),
        volumes=volumes,
        sessions=Counter(source for source, _session in {lot[:2] for lot in lots}),
    )
