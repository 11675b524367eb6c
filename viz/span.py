"""A range with its mean on a scale with limits: brood viability and the lines below which it is warned of."""

import math
from collections.abc import Sequence

from viz.interval import HEIGHT, Scale, Words
from viz.svg import Markup, element, percent, picture
from viz.tables import Drawing, Table


def draw_span(
    low: float,
    middle: float,
    high: float,
    scale: Scale,
    *,
    uid: str,
    words: Words,
    say: str = "{:.2f}",
    limits: Sequence[float] = (),
) -> Drawing:
    """The bar from low to high, the dot at the middle, a dotted line at each limit.

    Raises ValueError when the numbers are not finite or not in order.
    """
    if not all(math.isfinite(v) for v in (low, middle, high)) or not low <= high:
        raise ValueError("low, middle and high must be finite, low not above high")
    row = HEIGHT / 2
    children: list[Markup] = [
        element("line", x1=percent(scale.at(limit)), x2=percent(scale.at(limit)), y1=0, y2=HEIGHT, class_="zero")
        for limit in limits
    ]
    children.append(
        element("line", x1=percent(scale.at(low)), x2=percent(scale.at(high)), y1=row, y2=row, class_="whisker")
    )
    children.extend(
        element("line", x1=percent(scale.at(end)), x2=percent(scale.at(end)), y1=row - 5, y2=row + 5, class_="whisker")
        for end in (low, high)
    )
    children.append(element("circle", cx=percent(scale.at(middle)), cy=row, r=6, class_="dot"))
    cells = (say.format(middle), say.format(low), say.format(high))
    table = Table(words.title, words.head, (cells,), frozenset(range(3)))
    desc = f"{cells[0]} ({cells[1]} – {cells[2]})"
    return Drawing(picture(*children, uid=uid, title=words.title, desc=desc, height=HEIGHT), table)
