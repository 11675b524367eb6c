"""One figure of the trade: what it is, where it comes from, and how far a season may move it."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from scheduling.planning.words import Words
from scheduling.planning.words import message as _


class SourceKind(StrEnum):
    """How well a figure is founded. The three kinds are never mixed."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    FROM_MEMORY = "from memory"

    @property
    def said(self) -> Words:
        return _KINDS_SAID[self]


class Topic(StrEnum):
    """Section of the settings page a figure is shown in."""

    QUEENS = "queens"
    DRONES = "drones"
    CO2 = "CO2"
    DOSE = "dose"
    SEMEN = "semen"
    CARE = "care after insemination"
    BENCH = "bench"
    PLAN = "plan"
    BREEDING = "breeding"

    @property
    def said(self) -> Words:
        return _TOPICS_SAID[self]


_KINDS_SAID = {
    SourceKind.PUBLISHED: _("Published"),
    SourceKind.COMMON_PRACTICE: _("Common practice"),
    SourceKind.FROM_MEMORY: _("From memory"),
}
_TOPICS_SAID = {
    Topic.QUEENS: _("Queens"),
    Topic.DRONES: _("Drones"),
    Topic.CO2: _("CO2"),
    Topic.DOSE: _("Dose"),
    Topic.SEMEN: _("Semen"),
    Topic.CARE: _("Care after insemination"),
    Topic.BENCH: _("Bench"),
    Topic.PLAN: _("Plan"),
    Topic.BREEDING: _("Breeding"),
}


@dataclass(frozen=True, slots=True)
class Fact:
    """A figure that a season may set.

    Parameters
    ----------
    key : field name in `Settings`; ends in its unit.
    rows : ids of the rows of the table of trade facts it rests on.
    default : starting value in `unit`; None for a gap that nobody may fill but the coordinator.
    low, high : bounds a season's own value must keep, both included.
    is_gap : no figure was found. A `default` beside it is a starting value, not knowledge.
    is_required : planning refuses to run without a value.
    """

    key: str
    rows: tuple[str, ...]
    label: Words
    topic: Topic
    default: Decimal | None
    low: Decimal
    high: Decimal
    unit: Words
    source: str
    source_kind: SourceKind
    why: Words
    is_whole: bool = False
    is_gap: bool = False
    is_required: bool = False

    @property
    def shown_bounds(self) -> Words:
        return _("%(low)s–%(high)s %(unit)s", low=self.low, high=self.high, unit=self.unit)


def fact(
    key: str,
    rows: str,
    label: Words,
    topic: Topic,
    default: str | None,
    bounds: tuple[str, str],
    unit: Words,
    *,
    source: str,
    kind: SourceKind,
    why: Words,
    whole: bool = False,
    gap: bool = False,
    required: bool = False,
) -> Fact:
    """Build a `Fact` from text, so that every number stays exactly as it was printed."""
    return Fact(
        key=key,
        rows=tuple(rows.split()),
        label=label,
        topic=topic,
        default=None if default is None else Decimal(default),
        low=Decimal(bounds[0]),
        high=Decimal(bounds[1]),
        unit=unit,
        source=source,
        source_kind=kind,
        why=why,
        is_whole=whole,
        is_gap=gap,
        is_required=required,
    )
