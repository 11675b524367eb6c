"""Installations of their own for tests that break them; the schema is made once and then copied."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.db import connection
from pytest_django.plugin import DjangoDbBlocker

from tests.faults.sink import Sink
from tests.faults.site import PostgresCluster, RedisServer, Site, own_database, schema_load

IS_LONG = os.environ.get("BROODTIDE_FAULTS") == "long"
#: Those of rows that migrating itself wrote go on.
NUMBERS_BEGIN_ANEW = """
DO $$ DECLARE one text; BEGIN
  FOR one IN SELECT sequencename FROM pg_sequences
    WHERE sequencename !~ '^(django_migrations|django_content_type|auth_permission)_id_seq$'
  LOOP EXECUTE format('ALTER SEQUENCE public.%I RESTART', one); END LOOP;
END $$;
"""


def short_or_long(short: int, long: int) -> int:
    """In every run of the tests, or with BROODTIDE_FAULTS=long."""
    return long if IS_LONG else short


@pytest.fixture(scope="session")
def postgres_dump(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """What migrating makes of an empty PostgreSQL, as SQL: from the database of the tests, which is empty too."""
    file = tmp_path_factory.mktemp("schema") / "schema.sql"
    with django_db_blocker.unblock():
        url = urlsplit(os.environ["BROODTIDE_DATABASE_URL"])._replace(path=f"/{connection.settings_dict['NAME']}")
        subprocess.run(["pg_dump", "--no-owner", "--file", file, "--dbname", url.geturl()], check=True)
    with file.open("a") as end:
        end.write(NUMBERS_BEGIN_ANEW)
    return file


@pytest.fixture(scope="session")
def postgres_schema(postgres_dump: Path) -> Iterator[str]:
    """Name of a database with nothing but the schema."""
    name = f"faults_schema_{os.getpid()}"
    with own_database(os.environ["BROODTIDE_DATABASE_URL"], name) as url:
        schema_load(postgres_dump, url)
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
