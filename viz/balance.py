"""Drone balance: one strip a source, what is expected with its 10–90 % band, and what each bench day needs.

Never one stacked sum: one source cannot cover for another.
"""

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass

from viz.days import LETTER_PX, DayScale, DayText, day_month, labels_clear_of_flag, needle, short_day
from viz.patterns import definition, fill, pattern_of
from viz.svg import Markup, at, element, group, number, percent, picture, text
from viz.tables import Table

AXIS_HEIGHT = 48
STRIP_HEIGHT = 96
HEAD_ROOM = 34  # above the tallest figure, for its label
LEAST_PX = 300  # a phone; wider pages only get more room
LABEL_LINE_PX = 16


@dataclass(frozen=True)
class Day:
    """What a source is expected to have on a day: the middle, and the ends of the 10–90 % band."""

    day: dt.date
    expected: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.high or not math.isfinite(self.high):
            raise ValueError(f"{self.day}: low and high must be finite, in order and not below 0")
        if not 0 <= self.expected < math.inf:
            raise ValueError(f"{self.day}: expected must be finite and not below 0")


@dataclass(frozen=True)
class Need:
    """What a bench day needs of this source, and what is there that day."""

    day: dt.date
    needed: float
    there: float

    @property
    def short_by(self) -> float:
        return max(self.needed - self.there, 0.0)


@dataclass(frozen=True)
class Source:
    """One source; `number` is that of its colour and pattern (A is 1), 0 for none of its own."""

    key: str
    letter: str
    name: str
    number: int
    days: tuple[Day, ...]
    needs: tuple[Need, ...] = ()


@dataclass(frozen=True)
class Words:
    """Sentences take named figures: needed, there, short."""

    caption: str = "Drone balance"
    needs: str = "needs {needed} of {there}"
    short: str = "needs {needed}, short {short}"
    nothing: str = "nothing expected"
    head: tuple[str, ...] = ("Bench day", "Source", "Ripe", "Needed", "Spare")
    short_cell: str = "{short} short"
    day: DayText = short_day
    tick: DayText = day_month


@dataclass(frozen=True)
class Strip:
    source: Source
    svg: str


@dataclass(frozen=True)
class Drawn:
    axis: str
    strips: tuple[Strip, ...]
    table: Table


def draw_balance(
    sources: list[Source],
    *,
    first: dt.date,
    last: dt.date,
    today: dt.date | None,
    uid: str,
    words: Words | None = None,
    least_px: float = LEAST_PX,
) -> Drawn:
    """One strip a source, all on the same scale of days and of drones, so that they can be compared."""
    words = words or Words()
    scale = DayScale(first, last)
    top = max(
        [1.0]
        + [day.high for source in sources for day in source.days if scale.holds(day.day)]
        + [day.expected for source in sources for day in source.days if scale.holds(day.day)]
        + [need.needed for source in sources for need in source.needs if scale.holds(need.day)]
    )
    strips = tuple(
        Strip(source, _strip(source, scale, top, today, words, f"{uid}-{index}", least_px))
        for index, source in enumerate(sources)
    )
    return Drawn(_axis(scale, today, words, uid, least_px), strips, _table(sources, words))


def _axis(scale: DayScale, today: dt.date | None, words: Words, uid: str, least_px: float) -> str:
    flag = words.day(today) if today else ""
    mondays = [day for day in scale.each() if day.weekday() == 0]
    shown = labels_clear_of_flag(scale, mondays, words.tick, today=None, flag=flag, least_px=least_px)
    children = [
        text(words.tick(day), x=percent(scale.start(day)), y=40, text_anchor="middle", class_="soft") for day in shown
    ]
    if today:
        children.append(needle(scale, today, label=flag, bottom=AXIS_HEIGHT, least_px=least_px))
    desc = f"{words.day(scale.first)} – {words.day(scale.last)}"
    return picture(*children, uid=f"{uid}-axis", title=words.caption, desc=desc, height=AXIS_HEIGHT)


def _strip(
    source: Source, scale: DayScale, top: float, today: dt.date | None, words: Words, uid: str, least_px: float
) -> str:
    pattern = pattern_of(source.number)
    base = STRIP_HEIGHT - 2

    def y_of(drones: float) -> float:
        return base - drones / top * (base - HEAD_ROOM)

    children: list[Markup] = [element("defs", definition(uid, pattern))] if pattern != "plain" else []
    children += [
        element("line", x1=percent(scale.start(day)), x2=percent(scale.start(day)), y1=0, y2=base, class_="grid-line")
        for day in scale.each()
        if day.weekday() == 0 and day != scale.first
    ]
    days = [day for day in source.days if scale.holds(day.day)]
    children += [
        _block(run, scale, y_of(0), y_of(run[0].expected), class_="supply", paint=fill(uid, pattern))
        for run in _runs(days, lambda day: (day.expected,))
        if run[0].expected > 0
    ]
    for run in _runs(days, lambda day: (day.low, day.high)):
        if run[0].high > run[0].low:
            children.extend(_band(run, scale, y_of(run[0].low), y_of(run[0].high)))
    children.append(element("line", x1=0, x2="100%", y1=base, y2=base, class_="axis"))
    if today and scale.holds(today):
        x = percent(scale.middle(today))
        children.append(element("line", x1=x, x2=x, y1=0, y2=STRIP_HEIGHT, class_="needle"))
    needs = sorted((need for need in source.needs if scale.holds(need.day)), key=lambda need: need.day)
    children += _needs(needs, scale, y_of, words, least_px)
    return picture(
        group(*children, data_d=source.number),
        uid=uid,
        title=f"{source.letter} {source.name}",
        desc="; ".join(f"{words.day(need.day)}: {_need_words(need, words)}" for need in needs) or words.nothing,
        height=STRIP_HEIGHT,
    )


def _runs(days: list[Day], value: Callable[[Day], tuple[float, ...]]) -> list[list[Day]]:
    """Neighbouring days of equal value together: fewer shapes, no seams between them."""
    runs: list[list[Day]] = []
    for day in sorted(days, key=lambda one: one.day):
        follows = runs and day.day - runs[-1][-1].day == dt.timedelta(days=1)
        if follows and value(runs[-1][-1]) == value(day):
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs


def _edges(run: list[Day], scale: DayScale) -> tuple[float, float]:
    return scale.start(run[0].day), scale.start(run[-1].day + dt.timedelta(days=1))


def _block(run: list[Day], scale: DayScale, low_y: float, high_y: float, *, class_: str, paint: str | None) -> Markup:
    left, right = _edges(run, scale)
    return element(
        "rect",
        x=percent(left),
        width=percent(right - left),
        y=high_y,
        height=low_y - high_y,
        class_=class_ if paint is None else None,
        fill=paint,
    )


def _band(run: list[Day], scale: DayScale, low_y: float, high_y: float) -> list[Markup]:
    left, right = _edges(run, scale)
    edges = (
        element("line", x1=percent(left), x2=percent(right), y1=y, y2=y, class_="band-edge") for y in (low_y, high_y)
    )
    return [_block(run, scale, low_y, high_y, class_="band", paint=None), *edges]


def _needs(
    needs: list[Need], scale: DayScale, y_of: Callable[[float], float], words: Words, least_px: float
) -> list[Markup]:
    """A T at each need. Its label stands right of it, left of it, or where both are taken on a line above."""
    drawn: list[Markup] = []
    taken: list[tuple[float, float, float]] = []
    stops = [scale.middle(need.day) / 100 * least_px for need in needs]
    for index, need in enumerate(needs):
        label = _need_words(need, words)
        width = len(label) * LETTER_PX
        y = y_of(need.needed)
        here = stops[index]
        right_end = stops[index + 1] - 12 if index + 1 < len(stops) else least_px
        anchor, offset = "start", 12.0
        if here + 12 + width > right_end and here - 12 - width >= 0:
            anchor, offset = "end", -12.0
        left = here + offset if anchor == "start" else here + offset - width
        label_y = max(y + 5, 12.0)
        while any(left < b and left + width > a and abs(label_y - c) < LABEL_LINE_PX for a, b, c in taken):
            label_y -= LABEL_LINE_PX
        taken.append((left, left + width, label_y))
        drawn.append(
            group(
                at(
                    scale.middle(need.day),
                    element("path", d=_tee(y, y_of(0)), class_="need-halo"),
                    element("path", d=_tee(y, y_of(0)), class_="need"),
                    text(label, x=offset, y=label_y, text_anchor=anchor, class_="halo"),
                ),
                class_="short" if need.short_by > 0 else None,
            )
        )
    return drawn


def _tee(top: float, base: float) -> str:
    return f"M-8 {number(top)}H8M0 {number(top)}V{number(base)}"


def _need_words(need: Need, words: Words) -> str:
    pattern = words.short if need.short_by > 0 else words.needs
    return pattern.format(needed=_count(need.needed), there=_count(need.there), short=_count(need.short_by))


def _count(value: float) -> str:
    """Whole drones; what is missing or needed is never rounded down."""
    return str(math.ceil(value - 1e-9))


def _table(sources: list[Source], words: Words) -> Table:
    found = sorted(
        ((need.day, source.name, need) for source in sources for need in source.needs), key=lambda row: row[:2]
    )
    rows = tuple(
        (
            words.day(day),
            name,
            str(math.floor(need.there + 1e-9)),
            _count(need.needed),
            words.short_cell.format(short=_count(need.short_by))
            if need.short_by > 0
            else str(math.floor(need.there - need.needed + 1e-9)),
        )
        for day, name, need in found
    )
    return Table(words.caption, words.head, rows, frozenset({2, 3, 4}))
