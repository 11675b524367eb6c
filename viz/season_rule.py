"""The season rule: the strip of the whole season under the header."""

import datetime as dt
from dataclasses import dataclass

from viz.days import LETTER_PX, DayScale, DayText, flag_px, month_name, needle, short_day, ticks
from viz.svg import Markup, at, element, percent, picture, text
from viz.tables import Drawing, Table

HEIGHT = 56
BAND_HEIGHT = 7
WIDE_PX = 1200  # on narrower pages the flag, drawn last, may cover a name
NEAR_PX = 320


@dataclass(frozen=True)
class Season:
    """Days shown, bench days, and stretches [first, until) in which drones are ripe."""

    first: dt.date
    last: dt.date
    today: dt.date | None = None
    bench_days: tuple[dt.date, ...] = ()
    ripe: tuple[tuple[dt.date, dt.date], ...] = ()


@dataclass(frozen=True)
class Words:
    title: str = "The season"
    bench_day: str = "Bench day"
    ripe: str = "Drones ripe"
    head: tuple[str, ...] = ("What", "From", "To")
    day: DayText = short_day
    month: DayText = month_name


def april_to_august(year: int) -> tuple[dt.date, dt.date]:
    """First and last day shown where the season names no months of its own."""
    return dt.date(year, 4, 1), dt.date(year, 8, 31)


def draw_rule(season: Season, *, uid: str = "rule", words: Words | None = None) -> Drawing:
    """The strip twice: the whole season, and for phones seven weeks around today; the stylesheet shows one."""
    words = words or Words()
    wide = _strip(season, words, f"{uid}-w", "rule-wide", WIDE_PX)
    middle = season.today or season.first
    around = Season(
        middle - dt.timedelta(days=20), middle + dt.timedelta(days=28), season.today, season.bench_days, season.ripe
    )
    near = _strip(around, words, f"{uid}-n", "rule-near", NEAR_PX)
    return Drawing(wide + near, _table(season, words))


def _strip(season: Season, words: Words, uid: str, class_: str, least_px: float) -> str:
    scale = DayScale(season.first, season.last)
    children: list[Markup] = [ticks(scale, bottom=HEIGHT, short=7, long=13)]
    for first, until in season.ripe:
        span = scale.span(first, until)
        if span:
            children.append(
                element(
                    "rect",
                    x=percent(span[0]),
                    width=percent(span[1]),
                    y=HEIGHT - BAND_HEIGHT,
                    height=BAND_HEIGHT,
                    class_="ripe-band",
                )
            )
    children.extend(_months(scale, season.today, words, least_px))
    mark = element("path", d="M0-8.5 8.5 0 0 8.5-8.5 0z", class_="mark")
    children.extend(at(scale.middle(day), mark, y=36) for day in season.bench_days if scale.holds(day))
    if season.today:
        children.append(needle(scale, season.today, label=words.day(season.today), bottom=HEIGHT, least_px=least_px))
    return picture(*children, uid=uid, title=words.title, desc=_in_words(season, words), height=HEIGHT, class_=class_)


def _months(scale: DayScale, today: dt.date | None, words: Words, least_px: float) -> list[Markup]:
    """Month names at their first day, or at the left edge; none where it would stand under today's flag."""
    flag_from, flag_to = -1.0, -1.0
    if today is not None and scale.holds(today):
        middle, width = scale.middle(today) / 100 * least_px, flag_px(words.day(today))
        flag_from, flag_to = (middle - width, middle) if middle + width > least_px else (middle, middle + width)
    names = []
    for day in scale.each():
        if day.day != 1 and day != scale.first:
            continue
        left = scale.start(day) / 100 * least_px
        right = left + len(words.month(day)) * LETTER_PX + 6
        next_month = (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
        room_until = min(scale.start(next_month) / 100 * least_px, least_px)
        if right <= room_until and not (left < flag_to and right > flag_from):
            names.append(at(scale.start(day), text(words.month(day), x=4, y=16, class_="soft")))
    return names


def _in_words(season: Season, words: Words) -> str:
    days = ", ".join(words.day(day) for day in season.bench_days)
    return f"{words.day(season.first)} – {words.day(season.last)}. {words.bench_day}: {days or '–'}"


def _table(season: Season, words: Words) -> Table:
    rows = [(words.bench_day, day, day) for day in season.bench_days]
    rows += [(words.ripe, first, until - dt.timedelta(days=1)) for first, until in season.ripe]
    return Table(
        words.title,
        words.head,
        tuple((what, words.day(first), words.day(last)) for what, first, last in sorted(rows, key=lambda row: row[1])),
    )
