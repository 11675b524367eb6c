"""Season lines: queen batches and drone cohorts under one axis of days, one strip each."""

import datetime as dt
from dataclasses import dataclass, field
from typing import Literal

from viz.days import (
    DayScale,
    DayText,
    day_month,
    labels_clear_of_flag,
    needle,
    short_day,
    ticks,
    uprights,
)
from viz.svg import Markup, at, element, group, percent, picture, text
from viz.tables import Table

AXIS_HEIGHT = 56
STRIP_HEIGHT = 66
BAR_HEIGHT = 32
STEP_LETTER_PX = 7
WIDE_PX = 700  # the least width a strip has beside its label
NEAR_PX = 320  # the least width it has on a phone

Look = Literal["plain", "mid", "late", "now", "ripening", "fading"]


@dataclass(frozen=True)
class Step:
    """A stretch of days. `until` is the first day that no longer belongs to it."""

    label: str
    first: dt.date
    until: dt.date
    look: Look = "plain"


@dataclass(frozen=True)
class Line:
    """One batch of queens or one cohort of drones; `places` are the bench days it has a place on."""

    key: str
    name: str
    kind: Literal["queens", "drones"]
    steps: tuple[Step, ...]
    places: tuple[dt.date, ...] = ()


@dataclass(frozen=True)
class Words:
    """Words of the drawing, in the language of the reader."""

    today: str = "today"
    place: str = "place at the bench"
    caption: str = "Season lines"
    head: tuple[str, ...] = ("Line", "Step", "From", "To", "Bench places")
    day: DayText = short_day
    tick: DayText = day_month


@dataclass(frozen=True)
class Window:
    """The days shown, today and the bench days."""

    first: dt.date
    last: dt.date
    today: dt.date | None = None
    bench_days: tuple[dt.date, ...] = field(default=())

    def near(self, before: int = 14, after: int = 21) -> "Window":
        """About five weeks around today, for phones."""
        middle = self.today or self.first
        first = middle - dt.timedelta(days=before)
        return Window(first, middle + dt.timedelta(days=after), self.today, self.bench_days)


@dataclass(frozen=True)
class Strip:
    line: Line
    svg: str


@dataclass(frozen=True)
class Drawn:
    axis: str
    strips: tuple[Strip, ...]
    table: Table


def draw_lines(
    lines: list[Line], window: Window, *, uid: str, words: Words | None = None, least_px: float = WIDE_PX
) -> Drawn:
    """The axis, a strip per line in the given order, and the table of all steps."""
    words = words or Words()
    scale = DayScale(window.first, window.last)
    return Drawn(
        axis=_axis(scale, window, words, uid, least_px),
        strips=tuple(
            Strip(line, _strip(line, scale, window, words, f"{uid}-{index}", least_px))
            for index, line in enumerate(lines)
        ),
        table=_table(lines, words),
    )


def draw_near(lines: list[Line], window: Window, *, uid: str, words: Words | None = None) -> Drawn:
    """The same for a phone: about five weeks around today."""
    return draw_lines(lines, window.near(), uid=uid, words=words, least_px=NEAR_PX)


def _axis(scale: DayScale, window: Window, words: Words, uid: str, least_px: float) -> str:
    flag = words.day(window.today) if window.today else ""
    mondays = [day for day in scale.each() if day.weekday() == 0]
    shown = labels_clear_of_flag(scale, mondays, words.tick, today=window.today, flag=flag, least_px=least_px)
    children = [
        ticks(scale, bottom=AXIS_HEIGHT),
        *(
            text(words.tick(day), x=percent(scale.start(day)), y=30, text_anchor="middle", class_="axis-label")
            for day in shown
        ),
    ]
    if window.today:
        children.append(needle(scale, window.today, label=flag, bottom=AXIS_HEIGHT, least_px=least_px))
    ends = f"{words.day(scale.first)} – {words.day(scale.last)}"
    return picture(*children, uid=f"{uid}-axis", title=words.caption, desc=ends, height=AXIS_HEIGHT)


def _strip(line: Line, scale: DayScale, window: Window, words: Words, uid: str, least_px: float) -> str:
    days = [(day - scale.first).days + 0.5 for day in window.bench_days if scale.holds(day)]
    bench = uprights(scale, ("bench-day", [(x, 0, 1) for x in days]), height=1, is_whole=True) if days else Markup("")
    drawn = [_step(step, scale, uid, least_px) for step in line.steps]
    places = [_diamond(scale.middle(day), words.place) for day in line.places if scale.holds(day)]
    children = [_hatches(uid, line), bench, group(*_across_middle(drawn), class_=line.kind)]
    if window.today and scale.holds(window.today):
        x = percent(scale.middle(window.today))
        children.append(element("line", x1=x, x2=x, y1=0, y2="100%", class_="needle"))
    children.extend(_across_middle(places))
    return picture(*children, uid=uid, title=line.name, desc=_in_words(line, words), height=STRIP_HEIGHT)


def _across_middle(children: list[Markup]) -> list[Markup]:
    """Children drawn around the middle of whatever height the strip gets."""
    return [element("svg", *children, y="50%", overflow="visible")] if children else []


def _step(step: Step, scale: DayScale, uid: str, least_px: float) -> Markup:
    span = scale.span(step.first, step.until)
    if span is None:
        return Markup("")
    left, width = span
    hatched = step.look in {"ripening", "fading"}
    top = -BAR_HEIGHT / 2
    bar = element(
        "rect",
        x=percent(left),
        y=top,
        width=percent(width),
        height=BAR_HEIGHT,
        class_=f"step {step.look}",
        fill=f"url(#{uid}-{step.look})" if hatched else None,
    )
    if width / 100 * least_px < len(step.label) * STEP_LETTER_PX + 7:
        return bar
    word = text(step.label, x=7, y=20, class_="now-text" if step.look == "now" else "halo-on" if hatched else None)
    return Markup(bar + element("svg", word, x=percent(left), y=top, width=percent(width), height=BAR_HEIGHT))


def _diamond(x: float, title: str) -> Markup:
    shape = element("path", element("title", title), d="M0-10 10 0 0 10-10 0z", class_="place")
    return at(x, shape, y=BAR_HEIGHT / 2)


def _hatches(uid: str, line: Line) -> Markup:
    looks = sorted({step.look for step in line.steps} & {"ripening", "fading"})
    if not looks:
        return Markup("")
    return element("defs", *(
        element(
            "pattern",
            element("rect", width=9, height=9, class_="hatch-ground"),
            element("line", x1=0, x2=0, y1=0, y2=9, class_=f"hatch-line {look}"),
            id=f"{uid}-{look}",
            width=9,
            height=9,
            patternUnits="userSpaceOnUse",
            patternTransform="rotate(40)",
        )
        for look in looks
    ))  # fmt: skip


def _in_words(line: Line, words: Words) -> str:
    steps = [f"{step.label} {words.tick(step.first)} – {words.tick(_last(step))}" for step in line.steps]
    places = [f"{words.place} {words.day(day)}" for day in line.places]
    return "; ".join([*steps, *places])


def _last(step: Step) -> dt.date:
    return step.until - dt.timedelta(days=1)


def _table(lines: list[Line], words: Words) -> Table:
    rows = [
        (
            line.name,
            step.label,
            words.day(step.first),
            words.day(_last(step)),
            ", ".join(words.day(day) for day in line.places if step.first <= day < step.until) or "–",
        )
        for line in lines
        for step in line.steps
    ]
    return Table(words.caption, words.head, tuple(rows))
