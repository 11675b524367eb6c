"""Runs SQL that is kept, without what Django does around SQL that is made anew each time.

On SQLite its places are rewritten once, not with every run; PostgreSQL parses and plans it once for each connection.
Transactions, lost connections and errors are treated as everywhere else.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

from django.db import DEFAULT_DB_ALIAS, NotSupportedError, OperationalError, connection, connections


class Statement(NamedTuple):
    """`sql` : with its places as Django writes them. `bare` : as the driver takes it."""

    sql: str
    bare: str


def statement_of(sql: str) -> Statement:
    """For the database that is in use now."""
    if connection.vendor != "sqlite":
        return Statement(sql, sql)
    from django.db.backends.sqlite3.base import FORMAT_QMARK_REGEX

    return Statement(sql, FORMAT_QMARK_REGEX.sub("?", sql).replace("%%", "%"))


def statement_run(statement: Statement, params: Sequence[Any]) -> list[tuple[Any, ...]]:
    """Run it and fetch all that it returns; nothing where it returns nothing."""
    here: Any = connections[DEFAULT_DB_ALIAS]
    if here.queries_logged or here.execute_wrappers:  # somebody looks on
        with here.cursor() as cursor:
            cursor.execute(statement.sql, params)
            return _fetched(cursor)
    here.close_if_health_check_failed()
    here.ensure_connection()
    here.validate_no_broken_transaction()
    if here.vendor == "sqlite":
        with here.wrap_database_errors:
            return _fetched(here.connection.execute(statement.bare, params))
    try:
        return _prepared(here, statement.bare, params)
    except NotSupportedError as error:
        # A migration changed one of its columns: what this connection has prepared is void, and it with it.
        if here.in_atomic_block:
            here.close_at = 0  # at the end of this request; it is asked to come again
            raise OperationalError(*error.args) from error
        here.close()
        here.ensure_connection()
        return _prepared(here, statement.bare, params)


def _prepared(here: Any, sql: str, params: Sequence[Any]) -> list[tuple[Any, ...]]:
    from psycopg import Cursor

    with here.wrap_database_errors, Cursor(here.connection) as cursor:
        return _fetched(cursor.execute(sql, params, prepare=True))


def _fetched(cursor: Any) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = cursor.fetchall() if cursor.description is not None else []
    return rows
