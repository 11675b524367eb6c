"""Shares over time with their bands: how many lay by which day, how many live."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from viz.curve import DASHES, LABEL_PX, Words, ticks
from viz.svg import Markup, at, element, group, percent, picture, text
from viz.tables import Drawing, Table

HEIGHT, TOP, FOOT = 260, 28, 52
LEFT, RIGHT = 9.0, 97.0  # of the width, per cent


@dataclass(frozen=True)
class Step:
    """From this day on: the share (0 to 1), its interval, and how many were still followed."""

    days: float
    share: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True)
class Curve:
    """One group; `until` is the last day on which anybody of it was seen."""

    label: str
    steps: tuple[Step, ...]
    until: float


def draw_shares(
    curves: Sequence[Curve],
    *,
    uid: str,
    words: Words,
    x_title: str,
    y_title: str,
    in_table: Sequence[Curve] = (),
) -> Drawing:
    """Steps with bands, told apart by dashes and labels; the band is drawn where there is one curve, else in the table.

    words.head : headings of the table: group, day, share, interval, still followed.
    in_table : curves that stand in the table alone.
    Raises ValueError without a curve that has steps, and with more curves than dashes tell apart.
    """
    if not curves or not all(curve.steps for curve in curves):
        raise ValueError("every curve needs at least one step")
    if len(curves) > len(DASHES):
        raise ValueError(f"at most {len(DASHES)} curves can be told apart")
    longest = max(max(curve.until, curve.steps[-1].days) for curve in curves)
    x_ticks = [tick for tick in ticks(0, max(longest, 1.0)) if tick >= 0]
    end = x_ticks[-1]

    def px(days: float) -> float:
        return LEFT + (RIGHT - LEFT) * days / end

    children = _frame(x_ticks, px, x_title, y_title)
    for number, curve in enumerate(curves):
        if len(curves) == 1:
            children += _band(curve, px)
        children += _steps(curve, px, DASHES[number])
    if len(curves) > 1:
        children += _labels(curves)
    rows = tuple(
        (
            curve.label,
            f"{step.days:g}",
            _share(step.share),
            _range(step),
            str(step.at_risk),
        )
        for curve in [*curves, *in_table]
        for step in curve.steps
    )
    return Drawing(
        picture(*children, uid=uid, title=words.title, desc=words.desc, height=HEIGHT),
        Table(words.title, words.head, rows, frozenset({1, 2, 3, 4})),
    )


def spread(rows: Sequence[float], *, least: float, low: float, high: float) -> list[float]:
    """Move rows apart until each is `least` from the next, in their order, between `low` and `high` as far as they fit.

    Ties keep the order given. Returns the rows in the order of `rows`.
    """
    order = sorted(range(len(rows)), key=lambda i: (rows[i], i))
    moved = [0.0] * len(rows)
    before = low - least
    for i in order:
        before = moved[i] = max(rows[i], before + least)
    after = high + least
    for i in reversed(order):
        after = moved[i] = min(moved[i], after - least)
    return moved


def _labels(curves: Sequence[Curve]) -> list[Markup]:
    """Names in one column at the right, each with its dashes, as near to the end of its curve as the others let it."""
    ends = [_py(curve.steps[-1].share) - 8 for curve in curves]
    rows = spread(ends, least=LABEL_PX, low=TOP + 4, high=_py(0) - 8)
    return [
        at(
            RIGHT,
            group(
                element("line", x1=-28, x2=0, y1=-4, y2=-4, class_="whisker", stroke_dasharray=dash),
                text(curve.label, x=-34, y=0, text_anchor="end", class_="halo"),
            ),
            y=row,
        )
        for curve, row, dash in zip(curves, rows, DASHES, strict=False)
    ]


def _share(value: float) -> str:
    return f"{100 * value:.0f} %"


def _range(step: Step) -> str:
    """Nothing is claimed where the estimate has no interval: before the first event, and where nobody is left."""
    return f"{_share(step.low)}–{_share(step.high)}" if step.low < step.high else "–"


def _py(share: float) -> float:
    return HEIGHT - FOOT - (HEIGHT - FOOT - TOP) * share


def _frame(x_ticks: Sequence[float], px: Callable[[float], float], x_title: str, y_title: str) -> list[Markup]:
    children: list[Markup] = [text(y_title, x=0, y=14, class_="soft")]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        row = _py(share)
        css = "axis" if share == 0 else "grid-line"
        children.append(element("line", x1=percent(LEFT), x2=percent(RIGHT), y1=row, y2=row, class_=css))
        children.append(text(_share(share), x=percent(LEFT - 1), y=row + 4, text_anchor="end"))
    for tick in x_ticks:
        column = percent(px(tick))
        children.append(element("line", x1=column, x2=column, y1=_py(0), y2=_py(0) + 6, class_="tick"))
        children.append(text(f"{tick:g}", x=column, y=_py(0) + 20, text_anchor="middle"))
    children.append(text(x_title, x=percent(RIGHT), y=HEIGHT - 6, text_anchor="end", class_="soft"))
    return children


def _spans(curve: Curve) -> list[tuple[Step, float]]:
    """Each step with the day on which it ends."""
    ends = [step.days for step in curve.steps[1:]] + [max(curve.until, curve.steps[-1].days)]
    return list(zip(curve.steps, ends, strict=True))


def _band(curve: Curve, px: Callable[[float], float]) -> list[Markup]:
    return [
        element(
            "rect",
            x=percent(px(step.days)),
            width=percent(px(end) - px(step.days)),
            y=_py(step.high),
            height=_py(step.low) - _py(step.high),
            class_="band",
        )
        for step, end in _spans(curve)
        if end > step.days and step.high > step.low
    ]


def _steps(curve: Curve, px: Callable[[float], float], dash: str | None) -> list[Markup]:
    found: list[Markup] = []
    before: float | None = None
    for step, end in _spans(curve):
        x, row = percent(px(step.days)), _py(step.share)
        if before is not None:
            found.append(element("line", x1=x, x2=x, y1=before, y2=row, class_="whisker", stroke_dasharray=dash))
        found.append(
            element("line", x1=x, x2=percent(px(end)), y1=row, y2=row, class_="whisker", stroke_dasharray=dash)
        )
        before = row
    return found
