"""Days along a line: where they stand, which get a label, where today's needle is."""

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from viz.svg import Markup, at, element, group, percent, text

DayText = Callable[[dt.date], str]
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
    return group(*(
        element(
            "line",
            x1=percent(scale.start(day)),
            x2=percent(scale.start(day)),
            y1=bottom - (long if day.weekday() == 0 else short),
            y2=bottom,
            class_="tick-long" if day.weekday() == 0 else "tick",
        )
        for day in scale.each()
    ))  # fmt: skip


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
