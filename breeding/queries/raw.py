"""Rows of large tables as the database gives them: no model instance, no conversion of single values."""

import gc
from typing import Any

from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import QuerySet


def raw_rows(values: "QuerySet[Any, Any]") -> list[tuple[Any, ...]]:
    """All rows of a `values_list` of whole numbers, floating-point numbers and texts."""
    try:
        sql, params = values.query.get_compiler(connection=connection).as_sql()
    except EmptyResultSet:
        return []
    # Hundreds of thousands of new tuples make the collector look through all of them again and again, for nothing.
    collects = gc.isenabled()
    gc.disable()
    try:
        with connection.cursor() as cursor:
            cursor.execute(sql, params)
            rows: list[tuple[Any, ...]] = cursor.fetchall()
    finally:
        if collects:
            gc.enable()
    return rows
