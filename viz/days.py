"""Days along a line: where they stand, which get a label, where today's needle is."""

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from viz.svg import Markup, at, element, group, number, percent, text

DayText = Callable[[dt.date], str]
Upright = tuple[float, float, float]  # days from the start of the scale, top, bottom
LETTER_PX = 7.4  # one letter of 13 px, generously


def short_day(day: dt.date) -> str:
    """“Thu 18 June”, in English; pages pass a formatter of their own language."""
    return f"{day:%a} {day.day} {day:%B}"


def day_month(day: dt.date) -> str:
    return f"{day.day} {day:%b}"


def month_name(day: dt.date) -> str:
    return f"{day:%B}"


@dataclass(frozen=True)
class DayScale:
    """From the start of `first` (0 %) to the end of `last` (100 %)."""

    first: dt.date
    last: dt.date

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise ValueError(f"last ({self.last}) is before first ({self.first})")

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    def start(self, day: dt.date) -> float:
        """Per cent at which the day begins; may lie outside 0 to 100."""
        return 100 * (day - self.first).days / self.days

    def middle(self, day: dt.date) -> float:
        return self.start(day) + 50 / self.days

    def holds(self, day: dt.date) -> bool:
        return self.first <= day <= self.last

    def span(self, first: dt.date, until: dt.date) -> tuple[float, float] | None:
        """Start and width in per cent of [first, until), cut to the scale; None when nothing is left."""
        left, right = max(self.start(first), 0.0), min(self.start(until), 100.0)
        return (left, right - left) if right > left else None

    def each(self) -> Iterator[dt.date]:
        return (self.first + dt.timedelta(days=offset) for offset in range(self.days))


def ticks(scale: DayScale, *, bottom: float, short: float = 6, long: float = 12) -> Markup:
    """A tick at the start of each day, standing on `bottom`; a long one on Mondays."""
    short_ones: list[Upright] = []
    long_ones: list[Upright] = []
    for number_of_day, day in enumerate(scale.each()):
        is_monday = day.weekday() == 0
        (long_ones if is_monday else short_ones).append(
            (number_of_day, bottom - (long if is_monday else short), bottom)
        )
    return uprights(scale, ("tick", short_ones), ("tick-long", long_ones), height=bottom)


def uprights(scale: DayScale, *kinds: tuple[str, list[Upright]], height: float, is_whole: bool = False) -> Markup:
    """Upright lines in one path a kind: as elements of their own they would be half of a page.

    kinds : a class with its lines.
    height : of what they stand in, which those are parts of. [px] `is_whole`: drawn as high as the picture is.
    """
    paths = (
        element(
            "path",
            d="".join(f"M{number(x)} {number(top)}V{number(foot)}" for x, top, foot in lines),
            class_=class_,
            vector_effect="non-scaling-stroke",
        )
        for class_, lines in kinds
        if lines
    )
    return element(
        "svg",
        *paths,
        width="100%",
        height="100%" if is_whole else height,
        viewBox=f"0 0 {scale.days} {number(height)}",
        preserveAspectRatio="none",
        overflow="visible",
    )


def needle(
    scale: DayScale, today: dt.date, *, label: str, bottom: float | str, flag_top: float = 0, least_px: float
) -> Markup:
    """Today's needle with its flag; the flag turns to the left where it would leave the picture."""
    if not scale.holds(today):
        return Markup("")
    x = scale.middle(today)
    width = flag_px(label)
    turned = x / 100 * least_px + width > least_px
    left = -width if turned else 0.0
    return group(
        element("line", x1=percent(x), x2=percent(x), y1=flag_top, y2=bottom, class_="needle"),
        at(
            x,
            element("rect", x=left, y=flag_top, width=width, height=21, class_="needle-flag"),
            text(label, x=left + width / 2, y=flag_top + 15, text_anchor="middle", class_="needle-text"),
        ),
    )


def flag_px(label: str) -> float:
    return len(label) * LETTER_PX + 14


def labels_clear_of_flag(
    scale: DayScale, days: list[dt.date], day_text: DayText, *, today: dt.date | None, flag: str, least_px: float
) -> list[dt.date]:
    """The days whose labels, set around their start, run neither into each other nor into today's flag."""
    kept: list[dt.date] = []
    free_from = 0.0
    flag_from, flag_to = -1.0, -1.0
    if today is not None and scale.holds(today):
        flag_from = scale.middle(today) / 100 * least_px
        width = flag_px(flag)
        flag_from, flag_to = (
            (flag_from - width, flag_from) if flag_from + width > least_px else (flag_from, flag_from + width)
        )
    for day in days:
        middle = scale.start(day) / 100 * least_px
        half = len(day_text(day)) * LETTER_PX / 2 + 4
        left, right = middle - half, middle + half
        under_flag = left < flag_to and right > flag_from
        if left >= free_from and right <= least_px and not under_flag:
            kept.append(day)
            free_from = right
    return kept
