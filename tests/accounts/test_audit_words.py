"""Whatever the services write into the history has words that people read."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from accounts.audit_words import ACTIONS, ENDINGS, action_words
from scheduling.models.batch import BenchState
from scheduling.models.bench import MovementKind

ROOT = Path(__file__).parents[2]
ACTION = re.compile(r"[a-z_]+(\.[a-z_]+)+")


def written(node: ast.expr) -> Iterator[str]:
    """The texts an expression may stand for, as far as they are written out."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from written(node.body)
        yield from written(node.orelse)


def actions_of(source: str) -> set[str]:
    """Texts given to a call as `action`, or by place to a private helper of the audit."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        given = [word.value for word in node.keywords if word.arg == "action"]
        if isinstance(node.func, ast.Name) and node.func.id.startswith("_"):
            given += node.args
        found |= {text for one in given for text in written(one) if ACTION.fullmatch(text)}
    return found


def all_actions() -> set[str]:
    files = [path for app in ("accounts", "breeding", "scheduling") for path in (ROOT / app / "services").rglob("*.py")]
    return {action for path in files for action in actions_of(path.read_text(encoding="utf-8"))}


def has_words(action: str) -> bool:
    for ending in ENDINGS:
        if action not in ACTIONS and action.endswith(ending):
            return has_words(action.removesuffix(ending))
    return action in ACTIONS


def test_every_action_of_the_services_has_words() -> None:
    found = all_actions()
    assert {"queen.register", "score.correct", "offer.accept", "member.leave"} <= found
    assert {action for action in found if not has_words(action)} == set()


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ('audit_record(lot, action="lot.open")', {"lot.open"}),
        ('audit_record(lot, action="a.one" if again else "a.two")', {"a.one", "a.two"}),
        ('_record(offer, "offer.accept", by=None)', {"offer.accept"}),
        ('parser.add_argument("--once", action="store_true")', set()),
    ],
)
def test_actions_are_found_however_they_are_given(source: str, expected: set[str]) -> None:
    assert actions_of(source) == expected


def test_a_correction_without_words_of_its_own_reads_as_what_it_corrects() -> None:
    assert action_words("cohort.count.correct") == "counted, corrected"
    assert action_words("offer.accept") == "offered place taken"


def test_actions_made_from_a_state_have_words_for_each_state() -> None:
    made = {f"lot.{kind}" for kind in MovementKind.values} | {f"bench.{state}" for state in BenchState.values}
    assert made - set(ACTIONS) == set()
