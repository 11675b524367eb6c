"""The window gauge: a capillary lying down, a tick a day, filled from ready to last day, needle at today."""

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from viz.days import DayScale, DayText, day_month
from viz.svg import Markup, at, element, percent, picture, text
from viz.tables import Drawing, Table

HEIGHT = 64
TUBE_TOP = 12
TUBE_HEIGHT = 15
LEAST_PX = 300
FAR = dt.timedelta(days=14)
LETTER_PX = 6.8  # labels under the tube are of plain weight


@dataclass(frozen=True)
class Window:
    """`start` is what the gauge begins with (emerged, laid), `last` the last day of the window, included."""

    start: dt.date
    ready: dt.date
    last: dt.date
    today: dt.date
    kind: Literal["queen", "drone"] = "queen"
    days_after: int = 2

    def __post_init__(self) -> None:
        if not self.start <= self.ready <= self.last:
            raise ValueError("start, ready and last must be in order")


@dataclass(frozen=True)
class Words:
    title: str = "Window"
    start: str = "emerged"
    ready: str = "ready"
    last: str = "last day"
    today: str = "today"
    head: tuple[str, ...] = ("What", "Day")
    day: DayText = day_month


def draw_gauge(window: Window, *, uid: str, words: Words | None = None) -> Drawing:
    words = words or Words()
    scale = _scale(window)
    left, width = scale.span(window.ready, window.last + dt.timedelta(days=1)) or (0.0, 0.0)
    children = [
        element("rect", x="0", y=TUBE_TOP, width="100%", height=TUBE_HEIGHT, rx=7.5, class_="tube"),
        element(
            "rect",
            x=percent(left),
            y=TUBE_TOP + 1,
            width=percent(width),
            height=TUBE_HEIGHT - 2,
            class_=f"fill-{window.kind}",
        ),
        *(
            element(
                "line",
                x1=percent(scale.start(day)),
                x2=percent(scale.start(day)),
                y1=TUBE_TOP,
                y2=TUBE_TOP + 6,
                class_="tick-long",
            )
            for day in scale.each()
            if day != scale.first
        ),
        *_labels(window, scale, words),
    ]
    if scale.holds(window.today):
        name = element("title", f"{words.today} {words.day(window.today)}")
        needle = element("rect", name, x=-3, y=1, width=6, height=37, class_="pointer")
        children.append(at(scale.middle(window.today), needle))
    marks = _marks(window, words)
    desc = ", ".join(f"{word} {words.day(day)}" for word, day in marks)
    table = Table(words.title, words.head, tuple((word, words.day(day)) for word, day in marks))
    return Drawing(picture(*children, uid=uid, title=words.title, desc=desc, height=HEIGHT), table)


def _scale(window: Window) -> DayScale:
    """From start to a little after the last day; on to today where that is at most two weeks away."""
    first, last = window.start, window.last + dt.timedelta(days=window.days_after)
    if first - FAR <= window.today < first:
        first = window.today
    if last < window.today <= last + FAR:
        last = window.today
    return DayScale(first, last)


def _marks(window: Window, words: Words) -> list[tuple[str, dt.date]]:
    marks = [(words.start, window.start), (words.ready, window.ready), (words.last, window.last)]
    return sorted([*marks, (words.today, window.today)], key=lambda mark: mark[1])


def _labels(window: Window, scale: DayScale, words: Words) -> list[Markup]:
    """Three labels under the tube, each at its mark: second and third make room for each other, the first gives way.

    They are laid out for the narrowest gauge; on a wider one each keeps its distance from its mark.
    """
    start_at, ready_at, last_at = scale.start(window.start), scale.start(window.ready), scale.middle(window.last)
    start_word = f"{words.start} {words.day(window.start)}"
    ready_word = f"{words.ready} {words.day(window.ready)}"
    last_word = f"{words.last} {words.day(window.last)}"
    ready_px, last_px = _px(ready_at), _px(last_at)
    ready_width, last_width = (len(word) * LETTER_PX for word in (ready_word, last_word))
    last_left = min(max(last_px - last_width / 2, ready_width + LETTER_PX), LEAST_PX - last_width)
    ready_left = max(0.0, min(ready_px - ready_width / 2, last_left - LETTER_PX - ready_width))
    labels = []
    if _px(start_at) + len(start_word) * LETTER_PX < ready_left:
        labels.append(text(start_word, x=percent(start_at), y=56, class_="soft"))
    labels.append(text(ready_word, x=percent(ready_at), dx=round(ready_left - ready_px, 1), y=56, class_="soft"))
    labels.append(text(last_word, x=percent(last_at), dx=round(last_left - last_px, 1), y=56, class_="soft"))
    return labels


def _px(share: float) -> float:
    return share / 100 * LEAST_PX
