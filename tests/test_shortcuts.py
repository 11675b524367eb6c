"""What the tests leave out to be quick is left out of nothing else."""

import threading

import pytest
from django.db import connection, connections, transaction
from django.test import Client, TransactionTestCase
from whitenoise.middleware import WhiteNoiseMiddleware

from accounts.models import Cooperative
from breeding.models import Mating, Queen
from tests.emptying import KEPT, tables_empty
from tests.factories import CooperativeFactory, MatingFactory, ScoreFactory
from tests.processes import wait_until

WAITS = "SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE 'LOCK TABLE%'"


def rows_left() -> dict[str, int]:
    found = {}
    with connection.cursor() as cursor:
        for name in connection.introspection.django_table_names(only_existing=True, include_views=False):
            cursor.execute(f"SELECT count(*) FROM {connection.ops.quote_name(name)}")
            found[name] = cursor.fetchone()[0]
    return {name: number for name, number in found.items() if number}


@pytest.mark.django_db
def test_every_client_knows_the_static_files_that_the_first_one_read() -> None:
    for client in (Client(), Client()):
        answer = client.get("/static/js/look.js")
        assert (answer.status_code, answer["Content-Type"].split(";")[0]) == (200, "text/javascript")
        assert answer.getvalue()
    one, other = WhiteNoiseMiddleware(), WhiteNoiseMiddleware()
    assert one.files.keys() == other.files.keys()
    assert one.files is not other.files
    assert len(one.files) > 100


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_whatever_was_written_is_gone_and_what_migrating_wrote_is_there() -> None:
    as_migrated = rows_left()
    assert as_migrated.keys() == KEPT
    ScoreFactory()
    MatingFactory()
    Mating.objects.update(is_complete=True)  # what is complete must add up: its rows go in no order of their own
    assert Queen.objects.exists()
    tables_empty()
    assert rows_left() == as_migrated


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_whoever_still_writes_is_waited_for() -> None:
    wrote, may_commit = threading.Event(), threading.Event()

    def write_late() -> None:
        with transaction.atomic():
            CooperativeFactory(name="Late")
            wrote.set()
            may_commit.wait(30)
        connections.close_all()

    def empty() -> None:
        tables_empty()
        connections.close_all()

    writer, emptier = threading.Thread(target=write_late), threading.Thread(target=empty)
    writer.start()
    assert wrote.wait(30)
    emptier.start()
    with connection.cursor() as cursor:

        def is_waiting() -> bool:
            cursor.execute(WAITS)
            return cursor.fetchone() is not None

        wait_until(is_waiting, seconds=30)
    may_commit.set()
    writer.join(30)
    emptier.join(30)
    assert not Cooperative.objects.exists()


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_this_is_how_tests_of_several_transactions_are_ended() -> None:
    CooperativeFactory()
    case = TransactionTestCase()
    case._fixture_teardown()  # type: ignore[attr-defined]
    assert rows_left().keys() == KEPT
