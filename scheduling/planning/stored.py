"""Semen in store as supply over days, in the terms of drones: so that a plan, and its file, need no new kind of row."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from .problem import Cohort


def stored_cohort(
    ul10: int,
    *,
    md_per_ul10: int,
    here: Collection[int],
    elsewhere: Collection[int],
    last_day: int,
    weights: Sequence[int],
) -> Cohort | None:
    """Return a stored lot as a cohort of its source: drones that need not be brought while it lasts.

    Parameters
    ----------
    ul10 : int
        Volume in store. [0.1 µl]
    md_per_ul10 : int
        The source's reserve for a tenth of a microlitre. [md/0.1 µl]
    here, elsewhere : collections of int
        Days on which the bench that keeps it is open to the source, and those on which another one is. [d]
    last_day : int
        Last day on which the lot may be used. [d]
    weights : sequence of int
        Emergence equivalents of a drone taken on each day. [1/1000]

    Returns
    -------
    Cohort or None
        None when there is no day for it.

    Notes
    -----
    A volume v takes ``md_per_ul10 * v`` from stock whether it comes fresh or from the lot, so the lot is worth just as
    much. Two cautions keep it from being promised twice. A cohort serves every bench, the lot only its own: it gets the
    days from its first bench day on between which no other bench is open. And semen does not die as drones do: stock is
    weighed as on its first day, so by a later day less is promised than is there.
    """
    best = max(_runs(here, elsewhere, last_day), key=lambda run: (len(run), -run[0]), default=None)
    if best is None or ul10 <= 0:
        return None
    first = best[0]
    return Cohort(first, best[-1], ul10 * md_per_ul10 * weights[first] // 1000)


def _runs(here: Collection[int], elsewhere: Collection[int], last_day: int) -> Iterator[list[int]]:
    """Bench days of the lot between which no other bench is open; a day with both is none."""
    run: list[int] = []
    for day in sorted({*here, *elsewhere}):
        if day in elsewhere or day > last_day:
            if run:
                yield run
            run = []
        else:
            run.append(day)
    if run:
        yield run


def drones_beside_store(ul10: float, stored_ul10: float, line: tuple[int, int]) -> tuple[float, float]:
    """Return what a session still needs fresh of a volume, and the drones for it.

    Parameters
    ----------
    ul10, stored_ul10 : float
        Volume wanted, and what of it is in store for this session. [0.1 µl]
    line : (int, int)
        Reserve for a tenth of a microlitre, and once for a session. [md/0.1 µl], [md]

    Returns
    -------
    fresh : float
        [0.1 µl]
    drones : float
        Not rounded; none when the store covers all. [drones]
    """
    fresh = max(0.0, ul10 - stored_ul10)
    return fresh, (line[0] * fresh + line[1]) / 1000 if fresh > 0 else 0.0
