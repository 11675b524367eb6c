"""Which tests can run on this machine, and the fixtures that all of them share.

Tests marked `postgres`, `redis`, `browser` or `proxy` are skipped where that is missing, with one line that says why
and how many; BROODTIDE_NO_SKIP=1 forbids it.
"""

import os
import shutil
from collections import Counter

import pytest

from tests.network import block_outside_network

NEEDS = {
    "postgres": "PostgreSQL (set BROODTIDE_DATABASE_URL)",
    "redis": "Redis (set BROODTIDE_REDIS_URL)",
    "browser": "Chromium (install Debian's chromium)",
    "proxy": "Caddy (install Debian's caddy)",
}
SKIPPED = "Skipped: needs "


def _present(need: str) -> bool:
    if need == "postgres":
        return os.environ.get("BROODTIDE_DATABASE_URL", "").startswith("postgres")
    if need == "redis":
        return "BROODTIDE_REDIS_URL" in os.environ
    if need == "proxy":
        return shutil.which("caddy") is not None
    return shutil.which("chromium") is not None and os.environ.get("BROODTIDE_NO_BROWSER") != "1"


@pytest.hookimpl(tryfirst=True)  # before xdist reads the groups
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    forbidden = os.environ.get("BROODTIDE_NO_SKIP") == "1"
    for item in items:
        for need, what in NEEDS.items():
            if item.get_closest_marker(need) and not _present(need):
                if forbidden:
                    raise pytest.UsageError(f"{item.nodeid} needs {what}, and skipping is forbidden.")
                item.add_marker(pytest.mark.skip(reason=f"needs {what}"))
        if item.get_closest_marker("redis"):
            item.add_marker(pytest.mark.xdist_group("redis"))  # one broker: one test process


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """From the reports, since with several test processes the tests are collected elsewhere."""
    reasons = [report.longrepr[2] for report in terminalreporter.stats.get("skipped", [])]
    left_out = Counter(reason.removeprefix(SKIPPED) for reason in reasons if reason.startswith(SKIPPED))
    if left_out:
        parts = [f"{number} need {what}" for what, number in sorted(left_out.items())]
        terminalreporter.write_line("Left out here: " + "; ".join(parts) + ".")


@pytest.fixture(scope="session", autouse=True)
def _no_outside_network() -> None:
    block_outside_network()
