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
PLOT_HEIGHT = 62  # of the tallest figure of all strips
HEAD_ROOM = 10  # above it, for the bar of a T
LEAST_PX = 300  # a phone
WIDE_PX = 500  # from a tablet on; wider pages only get more room
LABEL_LINE_PX = 16
LABEL_GAP_PX = 4  # between the line of a label and its words


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
    needs = sorted((need for need in source.needs if scale.holds(need.day)), key=lambda need: need.day)
    labels = _labels(needs, scale, words, least_px)
    head = LABEL_LINE_PX * (1 + max((label.row for label in labels), default=-1)) + HEAD_ROOM
    base = head + PLOT_HEIGHT

    def y_of(drones: float) -> float:
        return base - drones / top * PLOT_HEIGHT

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
        children.append(element("line", x1=x, x2=x, y1=0, y2=base + 2, class_="needle"))
    children += _needs(labels, scale, y_of, base - PLOT_HEIGHT - HEAD_ROOM)
    return picture(
        group(*children, data_d=source.number),
        uid=uid,
        title=f"{source.letter} {source.name}",
        desc="; ".join(f"{words.day(need.day)}: {_need_words(need, words)}" for need in needs) or words.nothing,
        height=base + 2,
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


@dataclass(frozen=True)
class _Label:
    """The words of a need, in a row above the strip (0: the lowest), `left` px left of the line down to its T."""

    need: Need
    text: str
    left: float
    row: int


def _labels(needs: list[Need], scale: DayScale, words: Words, least_px: float) -> list[_Label]:
    """Rows in which no two labels meet, and no line to a T runs through the words of another one.

    Words stand right of their line, and the leftmost of those that would meet stands highest: its line passes left of
    the others. From some need on the rightmost stands highest instead, since words cannot leave the strip; each then
    ends before the line of the next. Where to change is tried out. On a wider page all lines only move apart.
    """
    texts = [_need_words(need, words) for need in needs]
    stops = [scale.middle(need.day) / 100 * least_px for need in needs]
    widths = [2 * LABEL_GAP_PX + len(label) * LETTER_PX for label in texts]
    tried = [_starts(stops, widths, change, least_px) for change in range(len(needs), -1, -1)]
    _, starts, change = min(tried, key=lambda one: one[0], default=(0, [], 0))
    rows: dict[int, int] = {}
    for index in [*range(change, len(needs)), *reversed(range(change))]:
        low, high = starts[index], starts[index] + widths[index]
        met = [row for other, row in rows.items() if low < starts[other] + widths[other] and high > starts[other]]
        rows[index] = max(met, default=-1) + 1
    return [_Label(need, texts[index], stops[index] - starts[index], rows[index]) for index, need in enumerate(needs)]


def _starts(stops: list[float], widths: list[float], change: int, least_px: float) -> tuple[int, list[float], int]:
    """Where each label begins when the order changes at `change`, and how many lines then run through words."""
    starts: list[float] = []
    crossed = 0
    for index, (stop, width) in enumerate(zip(stops, widths, strict=True)):
        next_line = stops[index + 1] if change <= index < len(stops) - 1 else least_px
        line_before = stops[min(index, change) - 1] if min(index, change) else 0.0
        start = min(stop, next_line - width, least_px - width)
        crossed += start < line_before
        starts.append(max(start, stop - width, 0.0))
    return crossed, starts, change


def _needs(labels: list[_Label], scale: DayScale, y_of: Callable[[float], float], head: float) -> list[Markup]:
    """A T at each need, and above the strip its label with a line down to it. Lines lie behind all words."""
    lines, drawn = [], []
    for label in labels:
        x, y = scale.middle(label.need.day), y_of(label.need.needed)
        bottom = head - label.row * LABEL_LINE_PX
        beside = label.left < LABEL_GAP_PX
        lines.append(at(x, element("line", x1=0, x2=0, y1=bottom - (12 if beside else 1), y2=y, class_="tick")))
        tees = (element("path", d=_tee(y, y_of(0)), class_=class_) for class_ in ("need-halo", "need"))
        words = text(label.text, x=LABEL_GAP_PX - label.left, y=bottom - 3, class_="halo")
        drawn.append(group(at(x, *tees, words), class_="short" if label.need.short_by > 0 else None))
    return [*lines, *drawn]


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
