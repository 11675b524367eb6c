"""Which tests can run on this machine, and the fixtures that all of them share.

Tests that the database makes no difference to are marked `once` by themselves: CI runs them on SQLite alone.
Tests marked `postgres`, `redis`, `browser` or `proxy` are skipped where that is missing, with one line that says why
and how many; BROODTIDE_NO_SKIP=1 forbids it.
"""

import contextlib
import gc
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.db import connection
from django.utils import translation
from hypothesis import HealthCheck
from hypothesis import settings as properties
from pytest_django.plugin import DjangoDbBlocker

from accounts.catalogues import catalogues_compile
from config.celery import app
from tests.emptying import emptying_install
from tests.faults.site import Site
from tests.network import block_outside_network
from tests.static_files import static_files_read_once

NEEDS = {
    "postgres": "PostgreSQL (set BROODTIDE_DATABASE_URL)",
    "redis": "Redis (set BROODTIDE_REDIS_URL)",
    "browser": "Chromium (install Debian's chromium)",
    "proxy": "Caddy (install Debian's caddy)",
}
SKIPPED = "Skipped: needs "

# Speed is measured, not asserted, and every run tries the same examples: what fails once fails again. New ones are
# searched for with `pytest --hypothesis-profile search`.
properties.register_profile("same", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
properties.register_profile("search", properties.get_profile("same"), derandomize=False)
properties.load_profile("same")


def pytest_configure(config: pytest.Config) -> None:
    """Whatever a translator changed is compiled before anything is rendered; once, not in each test process."""
    if not hasattr(config, "workerinput"):
        catalogues_compile()


def _present(need: str) -> bool:
    if need == "postgres":
        return os.environ.get("BROODTIDE_DATABASE_URL", "").startswith("postgres")
    if need == "redis":
        return "BROODTIDE_REDIS_URL" in os.environ
    if need == "proxy":
        return shutil.which("caddy") is not None
    return shutil.which("chromium") is not None and os.environ.get("BROODTIDE_NO_BROWSER") != "1"


def _uses_the_database(item: pytest.Item) -> bool:
    """Whether it would find anything else on the other database: not a kernel's, nor an installation's of its own."""
    if item.get_closest_marker("django_db"):
        return "sqlite_site" not in getattr(item, "fixturenames", ())
    return bool({"db", "transactional_db"} & set(getattr(item, "fixturenames", ())))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    forbidden = os.environ.get("BROODTIDE_NO_SKIP") == "1"
    for item in items:
        for need, what in NEEDS.items():
            if item.get_closest_marker(need) and not _present(need):
                if forbidden:
                    raise pytest.UsageError(f"{item.nodeid} needs {what}, and skipping is forbidden.")
                item.add_marker(pytest.mark.skip(reason=f"needs {what}"))
        if not _uses_the_database(item) and not any(item.get_closest_marker(need) for need in NEEDS):
            item.add_marker("once")


def pytest_collection_finish() -> None:
    """What stands by now stays to the end: to look through it for rubbish again and again is time for nothing."""
    gc.collect()
    gc.freeze()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """From the reports, since with several test processes the tests are collected elsewhere."""
    reasons = [report.longrepr[2] for report in terminalreporter.stats.get("skipped", [])]
    left_out = Counter(reason.removeprefix(SKIPPED) for reason in reasons if reason.startswith(SKIPPED))
    if left_out:
        parts = [f"{number} need {what}" for what, number in sorted(left_out.items())]
        terminalreporter.write_line("Left out here: " + "; ".join(parts) + ".")


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings_parallel_suffix: None) -> None:
    """On PostgreSQL a database that is migrated already may be copied, and only what it lacks is migrated."""
    if template := os.environ.get("BROODTIDE_TEST_TEMPLATE"):
        settings.DATABASES["default"].setdefault("TEST", {})["TEMPLATE"] = template


@pytest.fixture(scope="session", autouse=True)
def _no_outside_network() -> None:
    block_outside_network()


@pytest.fixture(scope="session", autouse=True)
def _static_files_are_read_once() -> None:
    static_files_read_once()


@pytest.fixture(scope="session", autouse=True)
def _only_what_has_rows_is_emptied() -> None:
    emptying_install()


@pytest.fixture(scope="session", autouse=True)
def _a_broker_of_its_own(worker_id: str) -> None:
    """As of the database: several test processes share the server, never what lies in it."""
    if settings.REDIS_URL and worker_id.startswith("gw"):
        url = urlsplit(settings.REDIS_URL)._replace(path=f"/{worker_id.removeprefix('gw')}").geturl()
        settings.REDIS_URL = settings.CELERY_BROKER_URL = app.conf.broker_url = url


@pytest.fixture(scope="session", autouse=True)
def _no_help_from_web_processes() -> None:
    """A look at the sweep now and then would count among the queries of whatever test it falls into."""
    settings.WEB_HELPS_SWEEP = False


@pytest.fixture(autouse=True)
def _no_language_left_over() -> Iterator[None]:
    """A request leaves its language behind until the next one comes; a test after it asks for none."""
    yield
    translation.deactivate()


@pytest.fixture(autouse=True)
def _what_is_kept_is_read_anew() -> None:
    """Rows that are taken back after a test leave their numbers to the next one's."""
    from breeding.queries.ranking import surely_better_forget
    from scheduling.queries.lot_rows import lot_rows_forget
    from scheduling.queries.problem import problems_forget

    lot_rows_forget()
    problems_forget()
    surely_better_forget()


@pytest.fixture(scope="session")
def sqlite_schema(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A file that is as migrating makes it, to be copied: from the tests' own database where that is SQLite."""
    folder = tmp_path_factory.mktemp("schema")
    site = Site(folder)
    if connection.vendor != "sqlite":
        site.manage("migrate", "--no-input", "--verbosity", "0")
        return site.file
    with django_db_blocker.unblock(), contextlib.closing(sqlite3.connect(site.file)) as copy:
        connection.ensure_connection()
        connection.connection.backup(copy)
        copy.execute("DELETE FROM sqlite_sequence")  # numbers begin anew: after those of the rows that are there
        copy.commit()
        copy.execute("PRAGMA journal_mode = WAL")
    return site.file
