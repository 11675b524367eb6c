"""On which neighbouring day each session's queens get their other CO2 treatment."""

from __future__ import annotations

from collections.abc import Mapping


def co2_rounds(
    queens: Mapping[int, int], old_enough: Mapping[int, int], capacity: Mapping[int, int]
) -> tuple[dict[int, int], dict[int, int]]:
    """Share the CO2 treatments of one bench's sessions out to the days before and after.

    Parameters
    ----------
    queens : mapping of day to int
        Queens of each session. [queens]
    old_enough : mapping of day to int
        How many of them may be treated on the day before. [queens]
    capacity : mapping of day to int
        Treatments that each day can take; a missing day takes none. [treatments]

    Returns
    -------
    before : dict of day to int
        Treatments on the day before, for each session. The rest is treated on the day after.
    over : dict of day to int
        Treatments above capacity, by the day on which they would be given; empty when all fits.

    Notes
    -----
    A day is used by the session after it (before-round) and by the one before it (after-round). Going through
    the days in order, the after-round is known when the before-round of the next is chosen, and whatever that
    one leaves unused is of no use to anybody else: so taking as much before as fits is optimal.
    """
    before: dict[int, int] = {}
    after: dict[int, int] = {}
    over: dict[int, int] = {}
    for day in sorted(queens):
        free = capacity.get(day - 1, 0) - after.get(day - 2, 0)
        before[day] = max(0, min(queens[day], old_enough.get(day, 0), free))
        after[day] = queens[day] - before[day]
        excess = after[day] - capacity.get(day + 1, 0)
        if excess > 0:
            over[day + 1] = excess
    return before, over
