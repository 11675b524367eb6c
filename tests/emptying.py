"""Empties PostgreSQL after a test of several transactions: only the tables that have rows.

Django's own way makes the files of all tables and indexes anew and writes the permissions down again: a second for
each such test, most of it for tables that were empty all along.
"""

from typing import Any

from django.db import connections, transaction
from django.test import TransactionTestCase

#: What migrating itself writes and no test changes.
KEPT = {"django_content_type", "auth_permission"}


def emptying_install() -> None:
    """From now on. Other databases are emptied as before, and so is one that does not let us pass its triggers by."""
    as_before = TransactionTestCase._fixture_teardown  # type: ignore[attr-defined]

    def teardown(case: Any) -> None:
        aliases = case._databases_names(include_mirrors=False)
        if case.available_apps is None and all(is_ours_to_empty(alias) for alias in aliases):
            for alias in aliases:
                tables_empty(alias)
        else:
            as_before(case)

    TransactionTestCase._fixture_teardown = teardown  # type: ignore[attr-defined]


def is_ours_to_empty(alias: str) -> bool:
    """Whether this is PostgreSQL, as one who may switch its triggers off."""
    if connections[alias].vendor != "postgresql":
        return False
    with connections[alias].cursor() as cursor:
        cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        return bool(cursor.fetchone()[0])


def tables_empty(alias: str = "default") -> None:
    """Waits for whoever still writes: a row that is committed after this would be the next test's."""
    connection = connections[alias]
    names = sorted(set(connection.introspection.django_table_names(only_existing=True, include_views=False)) - KEPT)
    quoted = [connection.ops.quote_name(name) for name in names]
    rows = " UNION ALL ".join(f"SELECT {at} WHERE EXISTS (SELECT 1 FROM {name})" for at, name in enumerate(quoted))
    with transaction.atomic(using=alias), connection.cursor() as cursor:
        cursor.execute(f"LOCK TABLE {', '.join(quoted)} IN SHARE ROW EXCLUSIVE MODE")
        cursor.execute(rows)
        filled = [quoted[at] for (at,) in cursor.fetchall()]
        cursor.execute("SET LOCAL session_replication_role = replica")  # no triggers: everything goes, in any order
        for name in filled:
            cursor.execute(f"DELETE FROM {name}")
