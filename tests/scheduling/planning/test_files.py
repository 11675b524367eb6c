"""The files season/1 and plan/1: nothing is lost, and what is wrong is refused with its place."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from scheduling.planning.plan import plan_from_json, plan_to_json
from scheduling.planning.problem_file import problem_from_json, problem_from_text, problem_to_json
from scheduling.planning.reading import FileError
from scheduling.planning.solver import solve

from .seasons import booking, season, season_json, source


def test_a_problem_survives_writing_and_reading():
    problem = season(
        bookings=[booking("B1"), booking("B2", mode="pool", pool="P", min_sources=2, part_cap_permille=500)],
        frozen=[{"booking": "B1", "bench": "J1", "day": 1, "queens": 1, "source": "S1"}],
        published=[{"booking": "B2", "bench": "J1", "day": 1, "queens": 1, "pool": "P1"}],
        meta={"anything": [1, 2]},
    )
    assert problem_from_json(json.loads(json.dumps(problem_to_json(problem)))) == problem


def test_a_plan_survives_writing_and_reading():
    plan = solve(season(), cpu_seconds=2)
    assert plan_from_json(json.loads(json.dumps(plan_to_json(plan)))) == plan


def test_a_share_of_its_own_is_written_only_where_a_source_has_one():
    problem = season(sources=[source("S1", share_cap_permille=400), source("S2", share_target_permille=0)])
    data = problem_to_json(problem)
    assert data["meta"] == {"share_caps_permille": {"S1": 400}, "share_targets_permille": {"S2": 0}}
    assert all(not key.startswith("share_") for entry in data["sources"] for key in entry), "the format knows no such"
    assert problem_from_json(data) == problem


@pytest.mark.parametrize(
    ("place", "value", "path"),
    [
        (["days"], 0, "days"),
        (["days"], True, "days"),
        (["days"], 4.0, "days"),
        (["weights"], [1000], "weights"),
        (["weights", 2], 0, "weights[2]"),
        (["format"], "season/2", "format"),
        (["surprise"], 1, "surprise"),
        (["rules", "queen_minutes"], -1, "rules.queen_minutes"),
        (["rules", "max_source_share_permille"], 1001, "rules.max_source_share_permille"),
        (["rules", "other"], 1, "rules.other"),
        (["benches", 0, "days", 1, "day"], 0, "benches[0].days[1].day"),
        (["benches", 0, "days", 1, "day"], 4, "benches[0].days[1].day"),
        (["benches", 0, "id"], "", "benches[0].id"),
        (["sources", 1, "id"], "S1", "sources[1].id"),
        (["sources", 1, "benches"], ["J9"], "sources[1].benches[0]"),
        (["sources", 0, "share_cap_permille"], 400, "sources[0].share_cap_permille"),
        (["meta"], {"share_caps_permille": {"S1": 0}}, "meta.share_caps_permille.S1"),
        (["meta"], {"share_caps_permille": {"S1": 1001}}, "meta.share_caps_permille.S1"),
        (["meta"], {"share_caps_permille": {"S9": 400}}, "meta.share_caps_permille.S9"),
        (["meta"], {"share_caps_permille": 400}, "meta.share_caps_permille"),
        (["meta"], {"share_targets_permille": {"S1": 1001}}, "meta.share_targets_permille.S1"),
        (["meta"], {"share_targets_permille": {"S9": 1}}, "meta.share_targets_permille.S9"),
        (["meta"], {"share_targets_permille": {"S1": 600, "S2": 401}}, "meta.share_targets_permille"),
        (["sources", 0, "cohorts", 0, "last_day"], 4, "sources[0].cohorts[0].last_day"),
        (["sources", 0, "cohorts", 0, "stock_eq"], -5, "sources[0].cohorts[0].stock_eq"),
        (["bookings", 1, "member"], "M9", "bookings[1].member"),
        (["bookings", 1, "queens"], 0, "bookings[1].queens"),
        (["bookings", 1, "queens"], "4", "bookings[1].queens"),
        (["bookings", 0, "age_max"], 4, "bookings[0].age_max"),
        (["bookings", 0, "mode"], "both", "bookings[0].mode"),
        (["bookings", 0, "mode"], "pool", "bookings[0].min_sources"),
        (["bookings", 0, "part_cap_permille"], 500, "bookings[0].part_cap_permille"),
        (["bookings", 0, "sources", 1, "id"], "S1", "bookings[0].sources[1].id"),
        (["bookings", 0, "sources", 1, "merit"], 1.5, "bookings[0].sources[1].merit"),
        (["bookings", 0, "excluded"], [{"id": "S9"}], "bookings[0].excluded[0].id"),
        (["frozen"], [{"booking": "B1", "bench": "J1", "day": 1, "queens": 1}], "frozen[0]"),
        (
            ["frozen"],
            [{"booking": "B9", "bench": "J1", "day": 1, "queens": 1, "source": "S1"}],
            "frozen[0].booking",
        ),
        (["meta"], 3, "meta"),
    ],
)
def test_an_impossible_problem_is_refused_with_its_place(place: list[Any], value: Any, path: str):
    data = copy.deepcopy(season_json())
    target: Any = data
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    with pytest.raises(FileError) as refused:
        problem_from_json(data)
    assert refused.value.path == path


@pytest.mark.parametrize("key", ["name", "days", "weights", "rules", "benches", "sources", "bookings", "frozen"])
def test_a_missing_key_is_refused(key: str):
    data = season_json()
    del data[key]
    with pytest.raises(FileError, match=f"^{key}: is missing$"):
        problem_from_json(data)


@pytest.mark.parametrize(
    ("text", "words"),
    [("{", "not JSON"), ('{"format": 1, "format": 2}', "appears twice"), ('{"days": NaN}', "NaN"), ("[]", "list")],
)
def test_text_that_is_no_plain_object_is_refused(text: str, words: str):
    with pytest.raises(FileError, match=words):
        problem_from_text(text)


def test_a_plan_with_an_unknown_key_or_with_source_and_pool_is_refused():
    plan = plan_to_json(solve(season(), cpu_seconds=1))
    both = copy.deepcopy(plan)
    both["assign"][0]["pool"] = "P1"
    with pytest.raises(FileError, match=r"^assign\[0\]: needs either"):
        plan_from_json(both)
    plan["co2"][0]["later"] = 1
    with pytest.raises(FileError, match=r"^co2\[0\].later"):
        plan_from_json(plan)
