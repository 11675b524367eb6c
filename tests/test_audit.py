"""The audit of the locks: known weaknesses fail it, and where nobody can tell it says that it was not audited."""

import importlib.util
import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.processes import ROOT

spec = importlib.util.spec_from_file_location("audit", ROOT / ".ci/audit.py")
assert spec is not None
assert spec.loader is not None
audit = importlib.util.module_from_spec(spec)
spec.loader.exec_module(audit)

WEAK = {"name": "django", "version": "3.2.0", "vulns": [{"id": "CVE-1", "fix_versions": ["3.2.1"]}]}
FINE = {"name": "segno", "version": "1.6.6", "vulns": []}


def run(said: dict[str, Any], *, known: dict[str, Any] | None = None) -> int:
    """The audit of two locks, with an advisory service that says this of them."""
    known = {"dependencies": [WEAK]} if known is None else known
    answers = {"weak.txt": known, "run.txt": {"dependencies": [FINE]}, "test.txt": said}
    code: int = audit.main(lambda file: answers[file.name] or None, [Path("run.txt"), Path("test.txt")])
    return code


def test_where_nothing_is_known_it_is_green(capsys: pytest.CaptureFixture[str]) -> None:
    assert run({"dependencies": [FINE]}) == 0
    assert capsys.readouterr().out.startswith("audited: no weakness is known")


def test_a_known_weakness_fails_and_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert run({"dependencies": [FINE, WEAK]}) == 1
    assert capsys.readouterr().out == "django 3.2.0: CVE-1, mended in 3.2.1\n"


@pytest.mark.parametrize("known", [{}, {"dependencies": [{**WEAK, "vulns": []}]}])
def test_a_service_that_knows_no_advisories_makes_nothing_green(
    known: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run({"dependencies": [FINE]}, known=known) == 3
    assert capsys.readouterr().out.startswith("not audited: nothing is said of django==3.2.0")


def test_a_lock_that_could_not_be_asked_about_makes_nothing_green(capsys: pytest.CaptureFixture[str]) -> None:
    assert run({}) == 3
    assert capsys.readouterr().out == "not audited: not everything in test.txt could be asked about\n"


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        (json.dumps({"dependencies": [FINE], "fixes": []}), True),
        (json.dumps({"dependencies": [FINE, {"name": "x", "skip_reason": "not found"}]}), False),
        (json.dumps({"dependencies": []}), False),
        ("ERROR: connection refused", False),
    ],
)
def test_what_the_tool_skipped_counts_as_not_known(
    output: str, expected: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = subprocess.CompletedProcess([], 0, stdout=output, stderr="")
    monkeypatch.setattr(subprocess, "run", lambda *args, **kwargs: done)
    assert (audit.ask(Path("run.txt")) is not None) is expected
