"""The season in force and the figures it works with."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import QuerySet

from accounts.access import Viewer
from accounts.models import AuditEntry, Cooperative
from accounts.queries.often import asked_often
from accounts.told import part_text
from scheduling.models import Season, SeasonSetting
from scheduling.planning import facts
from scheduling.planning.facts import Fact, Settings
from scheduling.planning.words import Words


def seasons_seen_by(viewer: Viewer) -> QuerySet[Season]:
    return Season.objects.filter(cooperative=viewer.cooperative)


def season_in_force(cooperative: Cooperative, *, today: dt.date) -> Season | None:
    """The season that contains today, else the newest."""
    seasons = _seasons(cooperative.pk)
    for season in seasons:
        season.cooperative = cooperative  # known already
    holding = [season for season in seasons if season.starts_on <= today <= season.ends_on]
    return next(iter(holding or seasons), None)


@asked_often
def _seasons(cooperative: int) -> QuerySet[Season, Season]:
    return Season.objects.filter(cooperative=cooperative)


def fact_of(key: str) -> Fact | None:
    return facts.FACTS.get(key)


def own_values(season: Season) -> dict[str, Decimal]:
    """What the coordinator changed this season, by key. Rows of figures that exist no more are left out."""
    is_read = "settings" in getattr(season, "_prefetched_objects_cache", {})
    rows = [(row.key, row.value) for row in season.settings.all()] if is_read else _settings(season.pk)
    return {key: value for key, value in rows if key in facts.FACTS}


@asked_often
def _settings(season: int) -> QuerySet[SeasonSetting, tuple[str, Decimal]]:
    return SeasonSetting.objects.filter(season=season).order_by().values_list("key", "value")


def settings_of(season: Season) -> Settings:
    """The figures of this season: the defaults with what the coordinator changed."""
    return facts.settings_from(own_values(season))


@dataclass(frozen=True)
class SettingRow:
    """One figure on the settings page."""

    fact: Fact
    value: Decimal | None
    row: SeasonSetting | None

    @property
    def shown(self) -> str:
        """The value without the zeros the database adds: 14.000 is 14."""
        return "" if self.value is None else part_text(self.value)

    @property
    def is_missing(self) -> bool:
        """A gap that the coordinator must fill before a plan can be worked out."""
        return self.value is None and self.fact.is_required

    @property
    def is_unset_gap(self) -> bool:
        return self.fact.is_gap and self.row is None


def setting_rows(season: Season) -> list[SettingRow]:
    own = {row.key: row for row in season.settings.select_related("changed_by")}
    return [
        SettingRow(fact, own[key].value if key in own else fact.default, own.get(key))
        for key, fact in facts.FACTS.items()
    ]


@dataclass(frozen=True)
class SettingChange:
    """Who set a figure otherwise, from what to what; None stands for its default."""

    entry: AuditEntry
    label: Words | str
    before: Decimal | None
    after: Decimal | None


def setting_history(season: Season, *, most: int) -> list[SettingChange]:
    """The newest first. A figure that is not kept any more goes by its key."""
    entries = AuditEntry.objects.filter(
        subject_type=season._meta.label_lower, subject_id=season.pk, action="setting.change"
    )
    return [
        SettingChange(
            entry,
            facts.FACTS[key].label if (key := entry.after.get("key", "")) in facts.FACTS else key,
            _figure(entry.before.get("value")),
            _figure(entry.after.get("value")),
        )
        for entry in entries[:most]
    ]


def _figure(text: str | None) -> Decimal | None:
    return Decimal(text).normalize() if text else None


def cross_limit_broken(inbreeding: float | None, viability: float | None, settings: Settings) -> str:
    """Which limit of the season a cross is over; empty where it is over none, or nothing is known of it."""
    if inbreeding is not None and inbreeding > float(settings.inbreeding_limit_share):
        return "inbreeding"
    if viability is not None and viability < float(settings.viability_stop_share):
        return "viability"
    return ""
