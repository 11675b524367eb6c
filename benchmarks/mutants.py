"""Breaks the code that claims, leases and supersedes, a little at a time, and counts which breaks the tests notice.

    python -m benchmarks.mutants [--seconds 900] [--noticed FILE]

Works in a copy of the checkout. Each mutant changes one comparison, condition, sign, argument, call or answer. Prints
those that nobody noticed and the share that was; some of them are the same program in other words, so read each.
Measured, not asserted.

With `--noticed` those that were noticed are kept in a file and not tried again while the function reads as it did, so
that a run can be ended at any time and gone on with, and new tests are tried on what is left alone.
"""

import argparse
import ast
import hashlib
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TARGETS = {
    "scheduling/services/delivery.py": "tick _claim _settle _hand_over _answers _start _why_not _write_answers"
    " _write_failure _ours",
    "scheduling/services/reminder_rows.py": "reminders_set _write reminder_acknowledge reminder_put_off"
    " reminder_take_back _end_by_hand _end",
}
QUICK_TESTS = [
    "tests/scheduling/test_claims.py",
    "tests/scheduling/test_delivery.py",
    "tests/scheduling/test_tellings.py",
]
SLOW_TESTS = [
    "tests/faults/test_machine.py",
    "tests/faults/test_provider.py",
    "tests/faults/test_downtime.py",
]
OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
QUERIES = {"filter", "update", "select_for_update"}
SECONDS_PER_RUN = 600  # the tests take a twentieth of it; on a busy machine a mutant must not pass for noticed


def breaks(function: ast.FunctionDef) -> Iterator[tuple[int, str, Callable[[], object]]]:
    """Line, what is done, and the deed, for every place that can be broken."""
    for node in ast.walk(function):
        if isinstance(node, ast.Compare) and type(node.ops[0]) in OPPOSITE:
            yield node.lineno, "opposite", partial(node.ops.__setitem__, 0, OPPOSITE[type(node.ops[0])]())
        elif isinstance(node, ast.BoolOp):
            other = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
            yield node.lineno, "and/or", partial(setattr, node, "op", other)
        elif isinstance(node, ast.BinOp) and isinstance(node.op, (ast.Add, ast.Sub, ast.BitOr)):
            sign = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.BitOr: ast.BitAnd}[type(node.op)]()
            yield node.lineno, "sign", partial(setattr, node, "op", sign)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield node.lineno, "no not", partial(setattr, node, "operand", ast.UnaryOp(ast.Not(), node.operand))
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and "log." not in ast.unparse(node):
            yield node.lineno, "call left out", partial(setattr, node, "value", ast.Constant(None))
        elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
            yield node.lineno, "answers None", partial(setattr, node, "value", ast.Constant(None))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in QUERIES:
            for place, keyword in enumerate(node.keywords):
                if keyword.arg not in {None, "of"}:  # `of` matters with a join alone
                    yield node.lineno, f"without {keyword.arg}", partial(node.keywords.pop, place)


def places(copy: Path) -> list[tuple[str, str, int]]:
    found = []
    for file, names in TARGETS.items():
        for node in ast.parse((copy / file).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name in names.split():
                found += [(file, node.name, number) for number, _ in enumerate(breaks(node))]
    return found


def is_noticed(copy: Path) -> bool:
    return any(fails(copy, tests) for tests in (QUICK_TESTS, SLOW_TESTS))


def fails(copy: Path, tests: list[str]) -> bool:
    command = [sys.executable, "-m", "pytest", "-q", "-x", "--nomigrations", "--no-header", "--tb=no", *tests]
    try:
        return subprocess.run(command, cwd=copy, capture_output=True, timeout=SECONDS_PER_RUN).returncode != 0
    except subprocess.TimeoutExpired:
        return True  # it never comes to an end: that is noticed too


class Noticed:
    """Marks of the mutants that were noticed, in a file where one is named."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self._marks = set(file.read_text().split()) if file and file.exists() else set()

    def __contains__(self, mark: str) -> bool:
        return mark in self._marks

    def add(self, mark: str) -> None:
        self._marks.add(mark)
        if self._file:
            with self._file.open("a") as file:
                file.write(f"{mark}\n")


def try_one(copy: Path, noticed_before: Noticed, file: str, name: str, number: int) -> bool:
    source = (copy / file).read_text(encoding="utf-8")
    tree = ast.parse(source)
    function = next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == name)
    line, what, deed = list(breaks(function))[number]
    deed()
    broken = ast.unparse(ast.fix_missing_locations(function))
    mark = hashlib.sha256(f"{file} {broken}".encode()).hexdigest()
    if mark in noticed_before:
        return True
    (copy / file).write_text(ast.unparse(ast.fix_missing_locations(tree)), encoding="utf-8")
    noticed = is_noticed(copy)
    (copy / file).write_text(source, encoding="utf-8")
    if noticed:
        noticed_before.add(mark)
    else:
        print(f"  nobody noticed: {file}:{line} {name}, {what}: {source.splitlines()[line - 1].strip()}", flush=True)
    return noticed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=900.0, help="as many as fit, by lot")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noticed", type=Path, help="file in which those that were noticed are kept")
    chosen = parser.parse_args()
    noticed = Noticed(chosen.noticed)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(
            ROOT, copy, symlinks=True, ignore=shutil.ignore_patterns(".git", ".venv", "data", "static_built")
        )
        if is_noticed(copy):
            raise SystemExit("The tests fail without any mutant.")
        todo = places(copy)
        random.Random(chosen.seed).shuffle(todo)
        ends, results = time.monotonic() + chosen.seconds, []
        for one in todo:
            if time.monotonic() > ends:
                break
            results.append(try_one(copy, noticed, *one))
            print(".", end="", flush=True)
        print(f"{sum(results)} of {len(results)} noticed ({sum(results) / len(results):.0%}), of {len(todo)} in all")


if __name__ == "__main__":
    main()
