"""Questions that are asked with almost every request, each time in the same words.

Making SQL of a queryset takes several times as long as answering it. Here it is made once and kept; the answer never.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import QuerySet

STAND_INS = range(29_401, 29_409)  # for the numbers, while SQL is made: small, and no constant of any question


class _Made(NamedTuple):
    """`params`: each with the place of the number that it stands in for, and its type; None where it is a constant."""

    sql: str
    params: list[tuple[int | None, Any]]
    converters: list[tuple[int, Any]]


def asked_often(build: Callable[..., QuerySet[Any, Any]]) -> Callable[..., list[tuple[Any, ...]]]:
    """Make of a function that gives a `values_list` one that gives its rows, read anew with every call.

    Its arguments are whole numbers, primary keys mostly, or None; each is compared with a column.
    """
    kept: dict[tuple[Any, ...], _Made] = {}

    def ask(*numbers: int | None) -> list[tuple[Any, ...]]:
        kind = (connection.vendor, *(number is None for number in numbers))
        if kind not in kept:
            kept[kind] = _made(build, numbers)
        made = kept[kind]
        with connection.cursor() as cursor:
            cursor.execute(made.sql, [value if at is None else type(value)(numbers[at]) for at, value in made.params])
            rows: list[tuple[Any, ...]] = cursor.fetchall()
        if not made.converters:
            return rows
        lists = [list(row) for row in rows]
        for at, (converts, column) in made.converters:
            for row in lists:
                for convert in converts:
                    row[at] = convert(row[at], column, connection)
        return [tuple(row) for row in lists]

    return ask


def _made(build: Callable[..., QuerySet[Any, Any]], numbers: tuple[int | None, ...]) -> _Made:
    asked = [None if number is None else stand_in for number, stand_in in zip(numbers, STAND_INS, strict=False)]
    compiler = build(*asked).query.get_compiler(connection=connection)
    sql, params = compiler.as_sql()
    found = [(asked.index(value) if isinstance(value, int) and value in asked else None, value) for value in params]
    if {at for at, _value in found if at is not None} != {at for at, value in enumerate(asked) if value is not None}:
        raise ValueError(f"{build.__qualname__}: each of its numbers must stand in its SQL as it is.")
    columns = [column for column, *_ in compiler.select[: compiler.col_count]]
    return _Made(sql, found, list(compiler.get_converters(columns).items()))
