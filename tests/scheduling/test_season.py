"""Seasons and their figures."""

import datetime as dt
from decimal import Decimal

import pytest

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from scheduling.models import Season, SeasonSetting
from scheduling.planning.facts import FACTS, settings_from
from scheduling.queries.batches import batch_view
from scheduling.queries.season import season_in_force, setting_rows, settings_of
from scheduling.services.season import season_open, setting_change
from tests.factories import SeasonFactory
from tests.scheduling.world import NOW, TODAY, World


def change(world: World, key: str, value: str | None) -> None:
    decimal = None if value is None else Decimal(value)
    setting_change(world.season, key=key, value=decimal, reason="our log", by=world.owner, now=NOW)


def test_the_season_that_contains_today_is_in_force_else_the_newest(world: World) -> None:
    SeasonFactory(cooperative=world.cooperative, year=2025)
    newest = SeasonFactory(cooperative=world.cooperative, year=2027)
    assert season_in_force(world.cooperative, today=TODAY) == world.season
    assert season_in_force(world.cooperative, today=dt.date(2026, 12, 1)) == newest


def test_a_season_is_opened_once_and_carries_over_what_was_changed(world: World) -> None:
    change(world, "drone_daily_survival", "0.97")
    days = {"starts_on": dt.date(2027, 4, 1), "ends_on": dt.date(2027, 8, 31)}
    season = season_open(world.cooperative, year=2027, **days, by=world.owner, now=NOW)
    assert settings_of(season).drone_daily_survival == Decimal("0.97")
    assert season.settings.get().changed_by == world.owner
    with pytest.raises(Refusal) as refused:
        season_open(world.cooperative, year=2027, **days, by=world.owner, now=NOW)
    assert refused.value.field == "year"
    assert Season.objects.filter(year=2027).count() == 1


def test_without_changes_the_figures_are_the_defaults_of_the_facts(world: World) -> None:
    assert settings_of(world.season) == settings_from({})
    assert [row.fact.key for row in setting_rows(world.season)] == list(FACTS)


def test_a_changed_figure_moves_the_dates_and_leaves_an_audit_row(world: World) -> None:
    batch = world.batch()
    change(world, "virgin_age_last_days", "11")
    assert batch_view(batch, today=TODAY).calendar.window.last_on == dt.date(2026, 6, 12)
    entry = AuditEntry.objects.get(action="setting.change")
    assert (entry.before, entry.after, entry.note) == (
        {"key": "virgin_age_last_days", "value": None},
        {"key": "virgin_age_last_days", "value": "11"},
        "our log",
    )


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("virgin_age_last_days", "15", "outside"),
        ("virgin_age_last_days", "11.5", "not whole"),
        ("drone_age_first_days", "17", "may not be larger"),
    ],
)
def test_a_figure_out_of_bounds_or_out_of_order_is_refused(world: World, key: str, value: str, said: str) -> None:
    with pytest.raises(Refusal, match=said) as refused:
        change(world, key, value)
    assert refused.value.field == "value"
    assert not SeasonSetting.objects.exists()


def test_a_figure_goes_back_to_its_default(world: World) -> None:
    change(world, "virgin_age_last_days", "11")
    change(world, "virgin_age_last_days", None)
    assert settings_of(world.season) == settings_from({})
    assert AuditEntry.objects.filter(action="setting.change").count() == 2


def test_a_closed_season_keeps_its_figures(world: World) -> None:
    world.season.closed_at = NOW
    with pytest.raises(Refusal):
        change(world, "virgin_age_last_days", "11")


def test_gaps_that_planning_needs_are_named_until_they_are_set(world: World) -> None:
    missing = {row.fact.key for row in setting_rows(world.season) if row.is_missing}
    assert missing == {fact.key for fact in FACTS.values() if fact.is_required and fact.default is None}
    change(world, "drone_daily_survival", "0.97")
    assert missing - {row.fact.key for row in setting_rows(world.season) if row.is_missing} == {"drone_daily_survival"}
