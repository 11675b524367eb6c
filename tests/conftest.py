"""Which tests can run on this machine, and the fixtures that all of them share.

Tests marked `postgres`, `redis` or `browser` are skipped where that is missing, with one line that says why
and how many; BROODTIDE_NO_SKIP=1 forbids it.
"""

import os
import shutil
from collections import Counter

import pytest

NEEDS = {
    "postgres": "PostgreSQL (set BROODTIDE_DATABASE_URL)",
    "redis": "Redis (set BROODTIDE_REDIS_URL)",
    "browser": "Chromium (install Debian's chromium)",
}
_left_out: Counter[str] = Counter()


def _present(need: str) -> bool:
    if need == "postgres":
        return os.environ.get("BROODTIDE_DATABASE_URL", "").startswith("postgres")
    if need == "redis":
        return "BROODTIDE_REDIS_URL" in os.environ
    return shutil.which("chromium") is not None and os.environ.get("BROODTIDE_NO_BROWSER") != "1"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    forbidden = os.environ.get("BROODTIDE_NO_SKIP") == "1"
    for item in items:
        for need, what in NEEDS.items():
            if item.get_closest_marker(need) and not _present(need):
                if forbidden:
                    raise pytest.UsageError(f"{item.nodeid} needs {what}, and skipping is forbidden.")
                item.add_marker(pytest.mark.skip(reason=f"needs {what}"))
                _left_out[need] += 1


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _left_out:
        parts = [f"{number} need {NEEDS[need]}" for need, number in sorted(_left_out.items())]
        terminalreporter.write_line("Left out here: " + "; ".join(parts) + ".")
