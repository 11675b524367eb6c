"""Shares of groups in order of time beside the limits that chance keeps to."""

from collections.abc import Sequence
from dataclasses import dataclass

from viz.curve import Words
from viz.svg import Markup, at, element, percent, picture, text
from viz.tables import Drawing, Table

HEIGHT, TOP, FOOT = 240, 24, 44
LEFT, RIGHT = 9.0, 99.0  # of the width, per cent
LABELS_AT_MOST = 6


@dataclass(frozen=True)
class Point:
    """A group: its name, share, centre and limits (0 to 1); `signal` in words, empty when it lies as chance has it."""

    label: str
    good: int
    all: int
    centre: float
    low: float
    high: float
    signal: str = ""

    @property
    def share(self) -> float:
        return self.good / self.all


def draw_control(points: Sequence[Point], *, uid: str, words: Words, y_title: str) -> Drawing:
    """A dot for each group, the band of its limits, the centre; what stands out is ringed and named.

    words.head : headings of the table: group, good, of, share, limits, signal.
    Raises ValueError without a point.
    """
    if not points:
        raise ValueError("there must be at least one point")
    width = (RIGHT - LEFT) / len(points)
    children: list[Markup] = [text(y_title, x=0, y=14, class_="soft")]
    for share in (0.0, 0.5, 1.0):
        css = "axis" if share == 0 else "grid-line"
        row = _py(share)
        children.append(element("line", x1=percent(LEFT), x2=percent(RIGHT), y1=row, y2=row, class_=css))
        children.append(text(f"{100 * share:.0f} %", x=percent(LEFT - 1), y=row + 4, text_anchor="end"))
    every = -(-len(points) // LABELS_AT_MOST)
    for index, point in enumerate(points):
        left = LEFT + width * index
        children += _column(point, left, width)
        if index % every == 0:
            middle = percent(left + width / 2)
            children.append(text(point.label, x=middle, y=HEIGHT - 20, text_anchor="middle", class_="soft"))
    rows = tuple(
        (
            point.label,
            str(point.good),
            str(point.all),
            f"{100 * point.share:.0f} %",
            f"{100 * point.low:.0f}–{100 * point.high:.0f} %",
            point.signal or "–",
        )
        for point in points
    )
    return Drawing(
        picture(*children, uid=uid, title=words.title, desc=words.desc, height=HEIGHT),
        Table(words.title, words.head, rows, frozenset({1, 2, 3, 4})),
    )


def _py(share: float) -> float:
    return HEIGHT - FOOT - (HEIGHT - FOOT - TOP) * share


def _column(point: Point, left: float, width: float) -> list[Markup]:
    found = [
        element(
            "rect",
            x=percent(left),
            width=percent(width),
            y=_py(point.high),
            height=max(1.0, _py(point.low) - _py(point.high)),
            class_="band",
        ),
        element(
            "line",
            x1=percent(left),
            x2=percent(left + width),
            y1=_py(point.centre),
            y2=_py(point.centre),
            class_="band-edge",
        ),
    ]
    dot: list[Markup] = []
    if point.signal:
        dot.append(element("circle", cx=0, cy=0, r=9, class_="place"))
    dot.append(element("circle", cx=0, cy=0, r=5, class_="dot"))
    found.append(at(left + width / 2, *dot, y=_py(point.share)))
    return found
