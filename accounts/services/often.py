"""Rows that almost every change writes. Their SQL is made once and kept, as that of `queries.often` is.

No signals are sent, and models are not asked to `save`: nothing in the house listens to the one, and what a model
adds to the other is for rows that are there already.
"""

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Any, TypeVar

from django.db import DEFAULT_DB_ALIAS, connection, connections
from django.db.models import Field, Model

from accounts.queries.statements import Statement, statement_of, statement_run

AnyModel = TypeVar("AnyModel", bound=Model)


def row_add(row: AnyModel) -> AnyModel:
    """Write a new row; its key is given by the database."""
    rows_add([row])
    return row


def rows_add(rows: Sequence[Model]) -> None:
    """Write new rows of one model."""
    if rows:
        _add(rows, _insert(connection.vendor, type(rows[0]), len(rows)))


def row_add_unless_there(row: Model) -> bool:
    """Write a new row unless there is one that it must not stand beside; whether it was written.

    Unlike an error of the database this breaks no transaction off.
    """
    return _add([row], _insert(connection.vendor, type(row), 1, unless_there=True))


def row_keep(row: Model, *names: str) -> None:
    """Write these fields of a row that is there."""
    fields = tuple(field for field in _fields(type(row)) if field.name in names)
    assert len(fields) == len(names), names
    values = [field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields]
    statement_run(_update(connection.vendor, type(row), fields), [*values, row.pk])


def _add(rows: Sequence[Model], statement: Statement) -> bool:
    fields, here = _fields(type(rows[0])), connections[DEFAULT_DB_ALIAS]
    values = [field.get_db_prep_save(field.pre_save(row, True), here) for row in rows for field in fields]
    keys = statement_run(statement, values)
    if not keys:
        return False
    for row, (key,) in zip(rows, keys, strict=True):
        row.pk, row._state.adding, row._state.db = key, False, DEFAULT_DB_ALIAS
    return True


@cache
def _fields(model: type[Model]) -> "tuple[Field[Any, Any], ...]":
    return tuple(field for field in model._meta.local_concrete_fields if not field.primary_key)


@lru_cache(maxsize=256)
def _insert(_vendor: str, model: type[Model], rows: int, *, unless_there: bool = False) -> Statement:
    fields = _fields(model)
    one = f"({', '.join(['%s'] * len(fields))})"
    parts = ["INSERT INTO", _quoted(model._meta.db_table), f"({', '.join(_quoted(field.column) for field in fields)})"]
    parts += ["VALUES", ", ".join([one] * rows), "ON CONFLICT DO NOTHING" if unless_there else ""]
    return statement_of(" ".join([*parts, "RETURNING", _quoted(model._meta.pk.column)]))


@lru_cache(maxsize=256)
def _update(_vendor: str, model: type[Model], fields: "tuple[Field[Any, Any], ...]") -> Statement:
    values = ", ".join(f"{_quoted(field.column)} = %s" for field in fields)
    parts = ["UPDATE", _quoted(model._meta.db_table), "SET", values]
    return statement_of(" ".join([*parts, "WHERE", _quoted(model._meta.pk.column), "= %s"]))


def _quoted(name: str | None) -> str:
    assert name  # fields that are columns have one
    return connection.ops.quote_name(name)
