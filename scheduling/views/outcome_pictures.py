"""From outcomes to the drawings of `viz`, with their words."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from scheduling.models import BenchSession
from scheduling.planning.control import Group, p_chart
from scheduling.planning.survival import Point
from scheduling.queries.outcomes import FEW, OutcomeGroup
from scheduling.queries.words import day_words
from viz.control import Point as ControlPoint
from viz.control import draw_control
from viz.curve import Words
from viz.survival import Curve, Step, draw_shares
from viz.tables import Drawing

CURVES_AT_MOST = 4  # as many as dashes tell apart


def signal_words(signal: str) -> str:
    return {
        "low": _("below its limits"),
        "high": _("above its limits"),
        "run": _("eight in a row below the middle"),
        "sum": _("the failures add up: a slow slip"),
        "": "",
    }[signal]


def range_words(found: tuple[float, float] | None) -> str:
    return f"{100 * found[0]:.0f}–{100 * found[1]:.0f} %" if found else "–"


@dataclass(frozen=True)
class Choice:
    """Which groups are drawn; the others stand in the tables. `asked`: more were ticked than one chart can show."""

    drawn: list[OutcomeGroup]
    rest: list[OutcomeGroup]
    asked: int

    @property
    def is_needed(self) -> bool:
        return bool(self.rest)

    @property
    def boxes(self) -> list[tuple[str, bool]]:
        names = {group.name for group in self.drawn}
        return sorted((group.name, group.name in names) for group in [*self.drawn, *self.rest])

    @property
    def most(self) -> int:
        return CURVES_AT_MOST


def choice_of(groups: Sequence[OutcomeGroup], wanted: Sequence[str]) -> Choice:
    """Groups of which enough was seen for a curve: those asked for, else those with the most queens; four at most."""
    followed = [group for group in groups if _followed(group, "laying") or _followed(group, "living")]
    asked = [group for group in followed if group.name in wanted]
    drawn = asked or sorted(followed, key=lambda group: -len(group.rows))
    names = {group.name for group in drawn[:CURVES_AT_MOST]}
    return Choice(
        [group for group in followed if group.name in names],
        [group for group in followed if group.name not in names],
        len(asked),
    )


def laying_drawing(choice: Choice) -> Drawing | None:
    """The share that lays, by days since insemination."""
    return _drawn(choice, "laying", _("Queens that lay"), _("share with eggs or brood"))


def living_drawing(choice: Choice) -> Drawing | None:
    """The share that lives, by days since insemination."""
    return _drawn(choice, "living", _("Queens that live"), _("share alive"))


def control_drawing(sessions: Sequence[tuple[BenchSession, OutcomeGroup]]) -> Drawing | None:
    """Each session's share with worker brood beside the limits of chance."""
    if not sessions:
        return None
    chart = p_chart([Group(group.good, group.known) for _session, group in sessions])
    points = [
        ControlPoint(
            label=day_words(session.day),
            good=one.group.good,
            all=one.group.all,
            centre=one.centre,
            low=one.low,
            high=one.high,
            signal=signal_words(one.signal),
        )
        for (session, _group), one in zip(sessions, chart, strict=True)
    ]
    words = Words(
        _("Sealed worker brood, session by session"),
        _("The band is what chance alone leaves to a session of that size; what stands out is ringed."),
        (_("Session"), _("Worker brood"), _("Known"), _("Share"), _("Limits"), _("Stands out")),
    )
    return draw_control(points, uid="control", words=words, y_title=_("share with worker brood"))


def _curve(group: OutcomeGroup, what: str) -> Curve:
    points: list[Point] = getattr(group, what)
    return Curve(
        group.name,
        tuple(
            Step(point.days, 1 - point.share, 1 - point.high, 1 - point.low, point.at_risk)
            if what == "laying"
            else Step(point.days, point.share, point.low, point.high, point.at_risk)
            for point in points
        ),
        max((seen.days for row in group.rows if (seen := getattr(row, what)) is not None), default=0),
    )


def _followed(group: OutcomeGroup, what: str) -> bool:
    return sum(getattr(row, what) is not None for row in group.rows) >= FEW


def _drawn(choice: Choice, what: str, title: str, y_title: str) -> Drawing | None:
    curves = [_curve(group, what) for group in choice.drawn if _followed(group, what)]
    rest = [_curve(group, what) for group in choice.rest if _followed(group, what)]
    if not curves:
        return None
    words = Words(
        title,
        _("Steps by days since the insemination; queens who were not seen any more count until their last look."),
        (_("Group"), _("Day"), _("Share"), _("95 % interval"), _("Still followed")),
    )
    return draw_shares(
        curves, uid=what, words=words, x_title=_("days since insemination"), y_title=y_title, in_table=rest
    )
