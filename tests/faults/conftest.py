"""Installations of their own for tests that break them; the schema is made once and then copied."""

import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.faults.sink import Sink
from tests.faults.site import PostgresCluster, RedisServer, Site, own_database

IS_LONG = os.environ.get("BROODTIDE_FAULTS") == "long"


def short_or_long(short: int, long: int) -> int:
    """In every run of the tests, or with BROODTIDE_FAULTS=long."""
    return long if IS_LONG else short


@pytest.fixture(scope="session")
def sqlite_schema(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = Site(tmp_path_factory.mktemp("schema"))
    site.manage("migrate", "--no-input", "--verbosity", "0")
    return site.file


@pytest.fixture(scope="session")
def postgres_schema(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Name of a database with nothing but the schema."""
    name = f"faults_schema_{os.getpid()}"
    with own_database(os.environ["BROODTIDE_DATABASE_URL"], name) as url:
        site = Site(tmp_path_factory.mktemp("schema"), url)
        site.manage("migrate", "--no-input", "--verbosity", "0")
        yield name


@pytest.fixture
def sink() -> Iterator[Sink]:
    with Sink() as one:
        yield one


@pytest.fixture
def sqlite_site(tmp_path: Path, sqlite_schema: Path, sink: Sink) -> Site:
    site = Site(tmp_path, more=sink.environment)
    shutil.copy(sqlite_schema, site.file)
    return site


@pytest.fixture
def postgres_site(tmp_path: Path, postgres_schema: str, sink: Sink) -> Iterator[Site]:
    with own_database(os.environ["BROODTIDE_DATABASE_URL"], f"faults_{os.getpid()}", template=postgres_schema) as url:
        yield Site(tmp_path, url, more=sink.environment)


@pytest.fixture
def cluster() -> Iterator[PostgresCluster]:
    one = PostgresCluster()
    try:
        yield one
    finally:
        one.remove()


@pytest.fixture
def broker() -> Iterator[RedisServer]:
    one = RedisServer()
    try:
        yield one
    finally:
        one.remove()


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as one:
        yield one
