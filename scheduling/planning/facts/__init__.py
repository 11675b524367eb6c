"""Every figure of the trade that the project uses, with its source; a season may move it within its bounds."""

from collections.abc import Mapping
from decimal import Decimal

from scheduling.planning.facts.bench import BENCH_FACTS
from scheduling.planning.facts.cells import CELL_FACTS
from scheduling.planning.facts.conflicts import CONFLICTS, Conflict
from scheduling.planning.facts.drones import DRONE_FACTS
from scheduling.planning.facts.fact import Fact, SourceKind, Topic
from scheduling.planning.facts.limits import LIMIT_FACTS
from scheduling.planning.facts.queens import QUEEN_FACTS
from scheduling.planning.facts.settings import (
    SettingError,
    SettingMissingError,
    Settings,
    checked_value,
    settings_of,
)

__all__ = [
    "CONFLICTS",
    "FACTS",
    "Conflict",
    "Fact",
    "SettingError",
    "SettingMissingError",
    "Settings",
    "SourceKind",
    "Topic",
    "checked_value",
    "settings_from",
]

FACTS: dict[str, Fact] = {
    fact.key: fact for fact in (*CELL_FACTS, *QUEEN_FACTS, *DRONE_FACTS, *BENCH_FACTS, *LIMIT_FACTS)
}


def settings_from(overrides: Mapping[str, Decimal]) -> Settings:
    """Return the figures of a season: the defaults of `FACTS`, moved by `overrides`. See `settings_of`."""
    return settings_of(FACTS, overrides)
