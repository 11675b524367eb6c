"""Questions that are asked with almost every request, each time in the same words.

Making SQL of a queryset takes several times as long as answering it. Here it is made once and kept; the answer never.
"""

import uuid
from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any, NamedTuple, TypeVar

from django.core.exceptions import EmptyResultSet
from django.db import DEFAULT_DB_ALIAS, connection, connections
from django.db.models import Model, QuerySet
from django.db.models.query import ModelIterable, get_related_populators

from accounts.queries.statements import Statement, statement_of, statement_run

# What stands for the arguments while SQL is made: small, and no constant of any question.
STAND_INS = range(29_401, 29_409)
STAND_INS_IN_LISTS = 1_029_401  # and so on: primary keys alone stand in lists
Row = TypeVar("Row")
Thing = TypeVar("Thing", bound=Model)
Rows = Sequence[Sequence[Any]]


class _Made(NamedTuple):
    """`params`: each with the place of the argument that it stands in for, and what makes the parameter of it; without
    a place it is a constant. `give`: makes what is asked for of the rows."""

    statement: Statement
    params: list[tuple[int | None, Any]]
    converters: list[tuple[int, Any]]
    give: Callable[[Rows], list[Any]]


_KEPT: list[dict[tuple[Any, ...], _Made | None]] = []


def asked_often(build: Callable[..., QuerySet[Any, Row]]) -> Callable[..., list[Row]]:
    """Make of a function that gives a queryset one that gives its rows, read anew with every call.

    Its arguments are whole numbers, primary keys mostly, texts, UUIDs or None, each compared with a column; or tuples
    of primary keys, among which a column is looked for. It gives things, with those that they were selected with
    (`select_related`), or the tuples of a `values_list`.
    """
    kept: dict[tuple[Any, ...], _Made | None] = {}
    _KEPT.append(kept)

    def ask(*said: Any) -> list[Row]:
        here = connections[DEFAULT_DB_ALIAS]  # once: each look through `connection` takes time
        kind = (here.vendor, *(None if one is None else _room(one) for one in said))
        if kind not in kept:
            kept[kind] = _made(build, said)
        made = kept[kind]
        if made is None:
            return []
        values = _in_a_row(said)
        rows = statement_run(made.statement, [of if at is None else of(values[at]) for at, of in made.params])
        if not made.converters:
            return made.give(rows)
        lists = [list(row) for row in rows]
        for at, (converts, column) in made.converters:
            for row in lists:
                for convert in converts:
                    row[at] = convert(row[at], column, here)
        return made.give(lists)

    return ask


def questions_forget() -> None:
    """Forget all SQL: for tests that make it otherwise."""
    for kept in _KEPT:
        kept.clear()


def read_along(thing: Thing, **neighbours: list[Any]) -> Thing:
    """Put lists of neighbours, read with a question of their own, where `prefetch_related` puts them.

    `thing.neighbours.all()` gives the list; it is not narrowed down any further, so the thing serves to be shown.
    """
    thing._prefetched_objects_cache = neighbours  # type: ignore[attr-defined]
    return thing


def read_along_all(things: Sequence[Model], relation: str, rows: Sequence[Model]) -> None:
    """The same for many things at once: each gets those of `rows` that point at it, in their order.

    `prefetch_related` makes a manager and a query for every thing; here neither is made. Rows know their thing.
    """
    if not things:
        return
    field: Any = things[0]._meta.get_field(relation).remote_field
    of: dict[Any, list[Model]] = {thing.pk: [] for thing in things}
    for row in rows:
        of[getattr(row, field.attname)].append(row)
    for thing in things:
        mine = of[thing.pk]
        thing.__dict__.setdefault("_prefetched_objects_cache", {})[relation] = mine
        for row in mine:
            row._state.fields_cache[field.name] = thing


def _room(said: Any) -> int:
    """How many parameters a tuple has: filled up, so that few questions are kept; -1 where it is no tuple."""
    if not isinstance(said, tuple):
        return -1
    return 1 << (len(said) - 1).bit_length() if said else 0


def _in_a_row(said: Sequence[Any]) -> list[Any]:
    values: list[Any] = []
    for one in said:
        if isinstance(one, tuple):
            values += (*one, *one[-1:] * (_room(one) - len(one)))
        else:
            values.append(one)
    return values


def _made(build: Callable[..., QuerySet[Any, Any]], said: Sequence[Any]) -> _Made | None:
    """None where nothing is ever found: nothing is among none."""
    asked = [_stand_in(one, place) for place, one in enumerate(said)]
    query = build(*asked)
    compiler = query.query.get_compiler(connection=connection)
    try:
        sql, params = compiler.as_sql()
    except EmptyResultSet:
        return None
    stand_ins = _in_a_row(asked)
    places = {_as_compared(one): place for place, one in enumerate(stand_ins) if one is not None}
    found = [_param(value, stand_ins, places) for value in params]
    if {at for at, _of in found if at is not None} != set(places.values()):
        raise ValueError(f"{build.__qualname__}: each of its arguments must stand in its SQL as it is.")
    columns = [column for column, *_ in compiler.select[: compiler.col_count]]
    give = _things(compiler) if query._iterable_class is ModelIterable else _tuples
    return _Made(statement_of(sql), found, list(compiler.get_converters(columns).items()), give)


def _stand_in(said: Any, place: int) -> Any:
    number = STAND_INS[place]
    if isinstance(said, tuple):
        return tuple(range(STAND_INS_IN_LISTS, STAND_INS_IN_LISTS + _room(said))) if said else ()
    if isinstance(said, uuid.UUID):
        return uuid.UUID(int=number)
    if isinstance(said, str):
        return f"stand-in {number}"
    return None if said is None else number


def _as_compared(value: Any) -> Any:
    """SQLite keeps UUIDs as text."""
    return value.hex if isinstance(value, uuid.UUID) else value


def _param(value: Any, stand_ins: Sequence[Any], places: dict[Any, int]) -> tuple[int | None, Any]:
    at = places.get(_as_compared(value)) if isinstance(value, int | str | uuid.UUID) else None
    if at is None:
        return None, value
    if isinstance(stand_ins[at], uuid.UUID):
        return at, _same if isinstance(value, uuid.UUID) else attrgetter("hex")
    return at, type(value)  # PostgreSQL's driver has types of its own for numbers


def _same(value: Any) -> Any:
    return value


def _tuples(rows: Rows) -> list[tuple[Any, ...]]:
    return [tuple(row) for row in rows]


def _things(compiler: Any) -> Callable[[Rows], list[Any]]:
    """As `ModelIterable` makes them of the rows of its own query."""
    columns, of = compiler.select, compiler.klass_info
    first, last = of["select_fields"][0], of["select_fields"][-1] + 1
    names = [column.target.attname for column, *_ in columns[first:last]]
    neighbours = get_related_populators(of, columns, DEFAULT_DB_ALIAS)  # type: ignore[call-arg]  # of a later version
    make = of["model"].from_db
    annotated = list((compiler.annotation_col_map or {}).items())

    def give(rows: Rows) -> list[Any]:
        found = []
        for row in rows:
            thing = make(DEFAULT_DB_ALIAS, names, row[first:last])
            for neighbour in neighbours:
                neighbour.populate(row, thing)
            for name, at in annotated:
                setattr(thing, name, row[at])
            found.append(thing)
        return found

    return give
