"""A season of the database as a planning file: the same problem again, and a plan of it that passes the checker."""

import datetime as dt
import json
from pathlib import Path

import pytest
from django.core.management import call_command
from django.utils import timezone

from scheduling.planning.problem_file import problem_from_text
from scheduling.queries.problem import problem_of
from tests.factories import NOW, SeasonFactory
from tests.scheduling.plan_world import PlanWorld


@pytest.fixture
def world(db: None, monkeypatch: pytest.MonkeyPatch) -> PlanWorld:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    world = PlanWorld()
    world.ask("Rowan 1")
    world.publish()
    world.ask("Alder 2", queens=7, minutes=10)
    return world


def refusal_of(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        call_command("export_season", *arguments)
    assert ended.value.code == 2
    return capsys.readouterr().err


def test_it_is_the_same_problem_and_can_be_planned(world: PlanWorld, tmp_path: Path) -> None:
    out, plan = tmp_path / "season.json", tmp_path / "plan.json"
    call_command("export_season", "2026", out=out)
    problem = problem_from_text(out.read_text(encoding="utf-8"))
    assert problem == problem_of(world.season, now=NOW)
    assert [placement.queens for placement in problem.published] == [5]
    assert problem.requested == 12
    call_command("plan_file", str(out), out=str(plan), seconds=1e6, goal="served")
    assert json.loads(plan.read_text(encoding="utf-8"))["result"]["served"] == 12
    call_command("plan_check", str(out), str(plan))


def test_without_a_file_it_goes_to_the_screen(world: PlanWorld, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("export_season", "2026")
    assert json.loads(capsys.readouterr().out)["format"] == "season/1"


def test_of_several_cooperatives_one_is_chosen(world: PlanWorld, capsys: pytest.CaptureFixture[str]) -> None:
    other = SeasonFactory(year=2026)
    said = refusal_of(capsys, "2026")
    assert other.cooperative.name in said
    assert "--cooperative" in said
    call_command("export_season", "2026", cooperative=world.season.cooperative.name)
    assert len(json.loads(capsys.readouterr().out)["bookings"]) == 2


def test_what_cannot_be_is_refused_with_what_to_do(
    world: PlanWorld, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert "There are: 2026." in refusal_of(capsys, "1999")
    gone = tmp_path / "no folder" / "season.json"
    assert "No such file" in refusal_of(capsys, "2026", "--out", str(gone))
    world.season.settings.filter(key="drone_daily_survival").delete()
    out = tmp_path / "season.json"
    assert "figures of the season" in refusal_of(capsys, "2026", "--out", str(out))
    assert not out.exists()


def test_days_count_from_today(world: PlanWorld, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW + dt.timedelta(days=1))
    out = tmp_path / "season.json"
    call_command("export_season", "2026", out=out)
    problem = problem_from_text(out.read_text(encoding="utf-8"))
    assert problem.meta["first_day"] == (NOW + dt.timedelta(days=1)).date().isoformat()
