"""A value with its error: dot and bar on a common scale, for rankings."""

import math
from dataclasses import dataclass

from viz.svg import Markup, element, percent, picture
from viz.tables import Drawing, NumberText, Table, decimals

HEIGHT = 28


@dataclass(frozen=True)
class Scale:
    """The common scale of a column: from `low` to `high`, in the unit of the values."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise ValueError("low and high must be finite numbers, low below high")

    def at(self, value: float) -> float:
        """Per cent, kept between 0 and 100."""
        return min(max(100 * (value - self.low) / (self.high - self.low), 0.0), 100.0)


@dataclass(frozen=True)
class Words:
    title: str = "Value with its error"
    head: tuple[str, ...] = ("Value", "Error", "Low", "High")
    number: NumberText = decimals

    def signed(self, value: float) -> str:
        return ("-" if math.copysign(1, value) < 0 else "+") + self.number(abs(value), 2)


def scale_of(values: list[tuple[float, float]], spread: float = 1.0) -> Scale:
    """A scale that holds every value ± spread × error, and 0."""
    lows = [value - spread * error for value, error in values]
    highs = [value + spread * error for value, error in values]
    low, high = min([*lows, 0.0]), max([*highs, 0.0])
    pad = 0.03 * (high - low) or 1.0
    return Scale(low - pad, high + pad)


def draw_interval(
    value: float, error: float, scale: Scale, *, uid: str, spread: float = 1.0, words: Words | None = None
) -> Drawing:
    """The dot at the value, the bar over value ± spread × error, a dotted line at 0.

    Raises ValueError when error is negative or a number is not finite.
    """
    if not (math.isfinite(value) and math.isfinite(error)) or error < 0:
        raise ValueError("value and error must be finite, error not below 0")
    words = words or Words()
    low, high = value - spread * error, value + spread * error
    middle = HEIGHT / 2
    children: list[Markup] = []
    if scale.low <= 0 <= scale.high:
        zero = percent(scale.at(0))
        children.append(element("line", x1=zero, x2=zero, y1=0, y2=HEIGHT, class_="zero"))
    children.append(
        element("line", x1=percent(scale.at(low)), x2=percent(scale.at(high)), y1=middle, y2=middle, class_="whisker")
    )
    children.extend(
        element("line", x1=percent(x), x2=percent(x), y1=middle - 5, y2=middle + 5, class_="whisker")
        for x, end in ((scale.at(low), low), (scale.at(high), high))
        if scale.low <= end <= scale.high
    )
    children.append(element("circle", cx=percent(scale.at(value)), cy=middle, r=6, class_="dot"))
    row = (words.signed(value), words.number(error, 2), words.signed(low), words.signed(high))
    desc = f"{row[0]} ± {row[1]}"
    table = Table(words.title, words.head, (row,), frozenset(range(4)))
    return Drawing(picture(*children, uid=uid, title=words.title, desc=desc, height=HEIGHT), table)
