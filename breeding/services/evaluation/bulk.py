"""Many rows of numbers into the database without a model instance for each."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connection
from django.db.models import Model


def rows_insert(model: type[Model], fields: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert rows whose values are as the database takes them, inside the caller's transaction.

    fields : names of the model's fields; foreign keys take primary keys. Defaults of the model do not apply.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("rows_insert belongs inside a transaction.")
    quoted = connection.ops.quote_name
    columns = ", ".join(quoted(str(model._meta.get_field(name).column)) for name in fields)  # type: ignore[union-attr]
    table = quoted(model._meta.db_table)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            marks = ", ".join(["%s"] * len(fields))
            # The names are the model's own.
            cursor.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", list(rows))  # noqa: S608  # nosec
