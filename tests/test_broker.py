"""The broker only rings a bell: no due time is ever put into it. Held over all of the program's own source."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCES = sorted(
    path for room in ("accounts", "breeding", "config", "scheduling") for path in (ROOT / room).rglob("*.py")
)
LONGEST_COUNTDOWN_SECONDS = 60
TASK_CALLS = {"apply_async", "retry", "signature", "s", "send_task", "si"}


def calls(tree: ast.AST) -> Iterator[ast.Call]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.Call))


def due_times_in_the_broker(source: str) -> list[int]:
    """Lines that give Celery a due time: the broker would redeliver the task, or lose it."""
    lines = []
    for call in calls(ast.parse(source)):
        if not isinstance(call.func, ast.Attribute) or call.func.attr not in TASK_CALLS:
            continue
        for keyword in call.keywords:
            value = keyword.value.value if isinstance(keyword.value, ast.Constant) else None
            is_short = isinstance(value, int | float) and value <= LONGEST_COUNTDOWN_SECONDS
            if keyword.arg == "eta" or (keyword.arg == "countdown" and not is_short):
                lines.append(call.lineno)
    return lines


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("task.apply_async(eta=moment)", [1]),
        ("self.retry(countdown=600)", [1]),
        ("self.retry(countdown=pause)", [1]),
        ("self.retry(countdown=30)", []),
    ],
)
def test_the_search_for_due_times_finds_them(source: str, found: list[int]) -> None:
    assert due_times_in_the_broker(source) == found


def test_no_due_time_is_put_into_the_broker() -> None:
    found = {str(path.relative_to(ROOT)): due_times_in_the_broker(path.read_text()) for path in SOURCES}
    assert {path: lines for path, lines in found.items() if lines} == {}
