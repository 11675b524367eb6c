"""Shares over time where not everybody has been seen to the end: Kaplan and Meier's estimate with its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Seen:
    """One queen: days until the event, or until she was last seen without it (`is_event` false)."""

    days: float
    is_event: bool


@dataclass(frozen=True, slots=True)
class Point:
    """From this day on: the share without the event, its 95 % interval, who was still followed before, events."""

    days: float
    share: float
    low: float
    high: float
    at_risk: int
    events: int


def kaplan_meier(seen: Sequence[Seen]) -> list[Point]:
    """Return the share without the event after each day on which one happened.

    Parameters
    ----------
    seen : sequence of Seen
        One for each queen; days not negative.

    Returns
    -------
    list of Point
        In rising days; the first is day 0 with a share of 1. Empty without anybody.

    Raises
    ------
    ValueError
        When days are negative or not finite.

    Notes
    -----
    S(t) is the product of 1 − d/n over the days of events. The interval is symmetric on the log(−log S) scale, with
    Greenwood's variance: it stays between 0 and 1 also for few queens. Where S is 0 no interval is known (0 to 1 is
    not claimed: low and high are 0 as well, as the usual programs give it). Events and last sights on the same day:
    the events come first.

    References
    ----------
    Kaplan & Meier 1958, doi:10.1080/01621459.1958.10501452; the interval: Kalbfleisch & Prentice 2002,
    doi:10.1002/9781118032985.
    """
    if not all(math.isfinite(one.days) and one.days >= 0 for one in seen):
        raise ValueError("days must be finite and not negative")
    if not seen:
        return []
    points = [Point(0.0, 1.0, 1.0, 1.0, len(seen), 0)]
    share, variance = 1.0, 0.0
    for day in sorted({one.days for one in seen if one.is_event}):
        at_risk = sum(1 for one in seen if one.days >= day)
        events = sum(1 for one in seen if one.is_event and one.days == day)
        share *= 1 - events / at_risk
        if events < at_risk:
            variance += events / (at_risk * (at_risk - events))
        low, high = _interval(share, variance)
        points.append(Point(day, share, low, high, at_risk, events))
    return points


def _interval(share: float, variance: float) -> tuple[float, float]:
    if share <= 0 or share >= 1:
        return share, share
    theta = Z95 * math.sqrt(variance) / math.log(share)
    return share ** math.exp(-theta), share ** math.exp(theta)


def share_at(points: Sequence[Point], days: float) -> Point | None:
    """The last point at or before a day; None before the first or without points."""
    return next((point for point in reversed(points) if point.days <= days), None)
