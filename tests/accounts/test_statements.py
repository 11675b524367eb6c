"""Statements that are kept run as others do: in their transaction, on a connection that may be lost, watched or not."""

from collections.abc import Iterator

import pytest
from django.db import IntegrityError, OperationalError, connection, transaction
from django.db.transaction import TransactionManagementError
from django.test.utils import CaptureQueriesContext

from accounts.models import Cooperative
from accounts.queries.often import asked_often
from accounts.queries.statements import statement_of, statement_run
from tests.factories import CooperativeFactory

NAME = '"accounts_cooperative"."name"'


def named(like: str) -> list[tuple[str]]:
    statement = statement_of(
        f"SELECT {NAME} FROM \"accounts_cooperative\" WHERE {NAME} LIKE %s AND {NAME} NOT LIKE '%%x'"
    )
    return statement_run(statement, [like])


@pytest.mark.django_db
def test_it_finds_the_same_whether_somebody_looks_on_or_not() -> None:
    CooperativeFactory(name="Fells")
    CooperativeFactory(name="Felx")
    with CaptureQueriesContext(connection) as asked:
        watched = named("F%")
    assert (watched, named("F%"), len(asked)) == ([("Fells",)], [("Fells",)], 1)


@pytest.mark.django_db
def test_a_fault_is_django_s_and_ends_its_transaction() -> None:
    add = statement_of('INSERT INTO "accounts_memberperson" ("member_id") VALUES (%s)')
    with transaction.atomic():
        with pytest.raises(IntegrityError), transaction.atomic(savepoint=False):
            statement_run(add, [1])
        with pytest.raises(TransactionManagementError):
            named("F%")


@pytest.mark.django_db(transaction=True)
def test_what_is_taken_back_is_gone_and_what_is_not_stays() -> None:
    Cooperative.objects.all().delete()
    rename = statement_of('UPDATE "accounts_cooperative" SET "name" = %s')
    CooperativeFactory(name="Fells")
    with transaction.atomic():
        assert statement_run(rename, ["Moors"]) == []
        assert named("M%") == [("Moors",)]
        transaction.set_rollback(True)
    assert named("%") == [("Fells",)]
    statement_run(rename, ["Dales"])
    connection.close()
    assert named("%") == [("Dales",)]


def alter(length: int) -> None:
    """On a connection of its own, as a migration does."""
    other = connection.copy()
    with other.cursor() as cursor:
        cursor.execute(f'ALTER TABLE "accounts_cooperative" ALTER "name" TYPE varchar({length})')
    other.close()


@pytest.fixture
def altered() -> Iterator[None]:
    yield
    connection.close()
    alter(120)


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("altered")
def test_a_column_that_a_migration_changes_is_read_again_on_a_new_connection() -> None:
    ask = asked_often(lambda pk: Cooperative.objects.filter(pk=pk).values_list("name"))
    pk = CooperativeFactory(name="Fells").pk
    assert ask(pk) == [("Fells",)]
    alter(130)
    assert ask(pk) == [("Fells",)]
    alter(140)
    with pytest.raises(OperationalError, match="cached plan"), transaction.atomic():  # answered with 503: come again
        ask(pk)
    connection.close_if_unusable_or_obsolete()
    assert ask(pk) == [("Fells",)]
