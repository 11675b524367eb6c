"""Lines over a common scale: gain against coancestry, inbreeding and coancestry over the years."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from viz.svg import Markup, at, element, group, percent, picture, text
from viz.tables import Drawing, NumberText, Table, decimals

HEIGHT, TOP, FOOT = 260, 28, 52
LEFT, RIGHT = 9.0, 97.0  # of the width, per cent: room for the labels of the y axis
LABEL_PX, LABEL_SHARE = 16, 40.0  # names closer than this, up and down and across (per cent), would touch
DASHES = (None, "7 4", "2 4", "10 3 2 3")


@dataclass(frozen=True)
class Line:
    """`points` (x, y) in rising x; shown by `label` at its end and by its own dashes, never by colour alone."""

    label: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Mark:
    """A point set apart, with words beside it."""

    x: float
    y: float
    label: str


@dataclass(frozen=True)
class Axis:
    """`factor` and `places` turn a value into the number at a tick: 0.01 with 100 and 1 is “1.0”."""

    title: str
    factor: float = 1.0
    places: int = 1
    unit: str = ""

    def say(self, value: float, number: NumberText) -> str:
        return f"{number(value * self.factor, self.places)} {self.unit}".strip()


@dataclass(frozen=True)
class Words:
    title: str
    desc: str
    head: tuple[str, ...]
    number: NumberText = decimals


def draw_curve(
    lines: Sequence[Line], x: Axis, y: Axis, *, uid: str, words: Words, marks: Sequence[Mark] = (), zero: bool = False
) -> Drawing:
    """Polylines with ticks on both axes, and the table of their points.

    zero : the y axis begins at 0 where all values are above it.

    Raises ValueError without a finite point.
    """
    points = [point for line in lines for point in line.points]
    if not points or not all(math.isfinite(v) for point in points for v in point):
        raise ValueError("lines need at least one point, and finite numbers")
    xs = [p[0] for p in points] + [mark.x for mark in marks]
    ys = [p[1] for p in points] + [mark.y for mark in marks] + ([0.0] if zero else [])
    x_ticks, y_ticks = ticks(min(xs), max(xs)), ticks(min(ys), max(ys))
    x_low, x_high = min(x_ticks[0], min(xs)), max(x_ticks[-1], max(xs))
    y_low, y_high = min(y_ticks[0], min(ys)), max(y_ticks[-1], max(ys))

    def px(value: float) -> float:
        return LEFT + (RIGHT - LEFT) * (value - x_low) / (x_high - x_low)

    def py(value: float) -> float:
        return HEIGHT - FOOT - (HEIGHT - FOOT - TOP) * (value - y_low) / (y_high - y_low)

    children: list[Markup] = [text(y.title, x=0, y=14, class_="soft")]
    for tick in y_ticks:
        row = py(tick)
        children.append(element("line", x1=percent(LEFT), x2=percent(RIGHT), y1=row, y2=row, class_="grid-line"))
        children.append(text(y.say(tick, words.number), x=percent(LEFT - 1), y=row + 4, text_anchor="end"))
    floor = HEIGHT - FOOT
    children.append(element("line", x1=percent(LEFT), x2=percent(RIGHT), y1=floor, y2=floor, class_="axis"))
    for tick in x_ticks:
        column = percent(px(tick))
        children.append(element("line", x1=column, x2=column, y1=floor, y2=floor + 6, class_="tick"))
        children.append(text(x.say(tick, words.number), x=column, y=floor + 20, text_anchor="middle"))
    children.append(text(x.title, x=percent(RIGHT), y=HEIGHT - 6, text_anchor="end", class_="soft"))
    for n, line in enumerate(lines):
        children.extend(_line(line, n, px, py))
    if len(lines) > 1:
        children.extend(_labels(lines, px, py))
    for mark in marks:
        children.append(_mark(mark, px(mark.x), py(mark.y)))
    return Drawing(
        picture(*children, uid=uid, title=words.title, desc=words.desc, height=HEIGHT),
        _table(lines, x, y, words),
    )


def ticks(low: float, high: float, at_most: int = 6) -> list[float]:
    """Round numbers from at or below low to at or above high; two at least.

    Raises ValueError when a bound is not finite.
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        raise ValueError("low and high must be finite")
    if high - low < 1e-12 * max(1.0, abs(low)):
        pad = abs(low) * 0.1 or 1.0
        low, high = low - pad, high + pad
    rough = (high - low) / (at_most - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 2.5, 5, 10) if power * factor >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [k * step for k in range(first, last + 1)]


def _line(line: Line, n: int, px: Callable[[float], float], py: Callable[[float], float]) -> list[Markup]:
    dash = DASHES[n % len(DASHES)]
    made = [
        element(
            "line",
            x1=percent(px(x0)),
            x2=percent(px(x1)),
            y1=py(y0),
            y2=py(y1),
            class_="whisker",
            stroke_dasharray=dash,
        )
        for (x0, y0), (x1, y1) in zip(line.points, line.points[1:], strict=False)
    ]
    return made + [element("circle", cx=percent(px(x)), cy=py(y), r=3, class_="dot") for x, y in line.points]


def _labels(lines: Sequence[Line], px: Callable[[float], float], py: Callable[[float], float]) -> list[Markup]:
    """Each line's name above its last point; of names that would touch, the upper one moves up."""
    made: list[Markup] = []
    taken: list[tuple[float, float]] = []
    for line in sorted((line for line in lines if line.points), key=lambda line: line.points[-1][1]):
        x, y = line.points[-1]
        row = py(y) - 9
        while any(abs(row - other) < LABEL_PX and abs(px(x) - at_x) < LABEL_SHARE for at_x, other in taken):
            row -= 1
        taken.append((px(x), row))
        made.append(text(line.label, x=percent(px(x)), y=row, text_anchor="end", class_="halo"))
    return made


def _mark(mark: Mark, x: float, y: float) -> Markup:
    right = x < 60
    words = text(mark.label, x=12 if right else -12, y=-10, text_anchor="start" if right else "end", class_="halo")
    return at(x, group(element("circle", cx=0, cy=0, r=8, class_="place"), words), y=y)


def _table(lines: Sequence[Line], x: Axis, y: Axis, words: Words) -> Table:
    columns, say = [dict(line.points) for line in lines], words.number
    rows = tuple(
        (x.say(value, say), *(y.say(column[value], say) if value in column else "–" for column in columns))
        for value in sorted({point[0] for line in lines for point in line.points})
    )
    return Table(words.title, words.head, rows, frozenset(range(len(lines) + 1)))
