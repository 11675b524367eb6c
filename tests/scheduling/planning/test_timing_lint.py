"""Hours are added to moments by `elapsed_after` alone, and wall-clock times become UTC by `local_to_utc` alone.

A local datetime plus 24 hours is 23 or 25 hours of real time when the clocks change. Names tell moments from days here,
as everywhere in the project: `…_at`, `now`, `moment` are moments, `…_on`, `day`, `today` are days.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
ROOMS = ("scheduling", "breeding", "viz")
CLOCK = Path("scheduling/planning/timing/clock.py")
# Intervals of the machine against its own UTC clock: leases, pauses, what is shown of the past. No times of the trade.
MACHINE_TIME = {
    "scheduling/middleware.py",
    "breeding/services/imports/importing.py",
    "scheduling/queries/gauges.py",
    "scheduling/queries/health.py",
    "scheduling/queries/reminders.py",
    "scheduling/queries/watch.py",
    "scheduling/services/bench_corrections.py",
    "scheduling/services/bench_queens.py",
    "scheduling/services/checkup/rows.py",
    "scheduling/services/delivery.py",
    "scheduling/services/tellings.py",
    "scheduling/services/zone_data.py",
    "scheduling/views/reminders.py",
}
MOMENT = re.compile(r"(_at|^at|^now|^moment\w*|_now|_moment)$")
CLOCK_UNITS = {"hours", "minutes", "seconds", "milliseconds", "microseconds"}


def own_files() -> Iterator[Path]:
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            if "migrations" not in path.parts:
                yield path.relative_to(ROOT)


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Call):
        return _name(node.func)
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def _is_moment(node: ast.expr) -> bool:
    called = isinstance(node, ast.Call) and _name(node) in {"now", "datetime", "combine", "astimezone", "local_to_utc"}
    return called or (not isinstance(node, ast.Call) and bool(MOMENT.search(_name(node))))


def _is_clock_delta(node: ast.expr, names: set[str]) -> bool:
    if isinstance(node, ast.Call) and _name(node) == "timedelta":
        return any(keyword.arg in CLOCK_UNITS for keyword in node.keywords) or len(node.args) > 1
    return isinstance(node, ast.Name) and node.id in names


def _is_delta(node: ast.expr, names: set[str]) -> bool:
    return (isinstance(node, ast.Call) and _name(node) == "timedelta") or (
        isinstance(node, ast.Name) and node.id in names
    )


def moment_arithmetic(source: str) -> list[int]:
    """Lines that add to or subtract from a moment, or take the difference of two, by hand."""
    tree = ast.parse(source)
    clock_names, delta_names = set[str](), set[str]()
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            if _is_clock_delta(node.value, set()):
                clock_names.add(node.targets[0].id)
            if _is_delta(node.value, set()):
                delta_names.add(node.targets[0].id)
    found = []
    left: ast.expr
    right: ast.expr
    for node in ast.walk(tree):
        if isinstance(node, ast.AugAssign) and isinstance(node.op, ast.Add | ast.Sub):
            left, right = node.target, node.value
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            left, right = node.left, node.right
        else:
            continue
        hours = _is_clock_delta(left, clock_names) or _is_clock_delta(right, clock_names)
        moved = (_is_moment(left) and _is_delta(right, delta_names)) or (
            _is_moment(right) and _is_delta(left, delta_names)
        )
        difference = _is_moment(left) and _is_moment(right) and not isinstance(getattr(node, "op", None), ast.Add)
        if hours or moved or difference:
            found.append(node.lineno)
    return sorted(set(found))


def wall_clock_by_hand(source: str) -> list[int]:
    """Lines that make a moment out of a wall-clock time themselves. UTC has no clock changes: it may be named."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = _name(node)
        has_zone = any(keyword.arg == "tzinfo" and _name(keyword.value) != "UTC" for keyword in node.keywords)
        if name == "make_aware" or (name in {"combine", "replace"} and has_zone):
            found.append(node.lineno)
    return sorted(found)


@pytest.mark.parametrize("finder", [moment_arithmetic, wall_clock_by_hand], ids=lambda finder: finder.__name__)
def test_nothing_but_the_clock_of_the_timing_engine_reckons_with_moments(finder: object) -> None:
    assert callable(finder)
    found = {
        str(path): lines
        for path in own_files()
        if path != CLOCK
        and str(path) not in MACHINE_TIME
        and (lines := finder((ROOT / path).read_text(encoding="utf-8")))
    }
    assert found == {}


def test_the_exceptions_still_exist_and_still_need_to_be_exceptions() -> None:
    idle = [
        name
        for name in MACHINE_TIME
        if not moment_arithmetic((ROOT / name).read_text(encoding="utf-8"))
        and not wall_clock_by_hand((ROOT / name).read_text(encoding="utf-8"))
    ]
    assert idle == []


@pytest.mark.parametrize(
    ("line", "is_found"),
    [
        ("due = starts_at + dt.timedelta(hours=24)", True),
        ("due = starts_at + timedelta(days=1)", True),
        ("due = dt.timedelta(days=1) + session.starts_at", True),
        ("due = anything - dt.timedelta(minutes=5)", True),
        ("SPACING = dt.timedelta(hours=24)\ndue = when + SPACING", True),
        ("due_at += dt.timedelta(days=2)", True),
        ("hours = (later_at - earlier_at).total_seconds()", True),
        ("due = dt.datetime(2026, 3, 28, 14) + dt.timedelta(days=1)", True),
        ("day = grafted_on + dt.timedelta(days=12)", False),
        ("days = (bench_on - emerged_on).days", False),
        ("due = elapsed_after(starts_at, 24)", False),
        ("n = count_at_1 + 1", False),
    ],
)
def test_arithmetic_with_moments_would_be_found(line: str, is_found: bool) -> None:
    assert bool(moment_arithmetic(line)) is is_found


@pytest.mark.parametrize(
    ("line", "is_found"),
    [
        ("timezone.make_aware(naive)", True),
        ("dt.datetime.combine(day, time, tzinfo=zone)", True),
        ("naive.replace(tzinfo=zone)", True),
        ("moment.replace(tzinfo=dt.UTC)", False),
        ("dt.datetime.combine(day, time)", False),
        ("local_to_utc(day, time, zone)", False),
    ],
)
def test_wall_clock_times_made_by_hand_would_be_found(line: str, is_found: bool) -> None:
    assert bool(wall_clock_by_hand(line)) is is_found
