"""Cells as people write them, to cells as the loader reads them: days, numbers and words of any of the languages."""

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation

from django.utils.functional import Promise
from django.utils.translation import get_language

from accounts.refusals import Refusal
from accounts.tables import RISKY_STARTS
from accounts.told import told as _
from breeding.services.imports.headings import plain
from breeding.services.imports.kinds import DAY, NUMBER, TEXT, WHOLE, WORD, Column
from breeding.services.loading.files import Problem, Problems, Row

YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?: 00:00(?::00)?)?")
YEAR_LAST = re.compile(r"(\d{1,2})([-/.]) ?(\d{1,2})\2 ?(\d{4}|\d{2})")
DAY_FIRST_LANGUAGES = {"fr", "es"}  # they write 9/6/2026 for 9 June; with points everybody does
SPACES = re.compile(r"(?<=\d)[ \u00a0\u202f](?=\d{3}\b)")


def rows_of(
    lines: Sequence[tuple[int, Sequence[str]]],
    columns: Sequence[Column],
    matched: Mapping[str, int],
    *,
    table: str,
    head: Sequence[str],
    day_order: str = "",
    instead: Mapping[str, str] | None = None,
) -> tuple[list[Row], list[Problem]]:
    """Rows without anything wrong in their cells, and whatever is wrong in the others, each cell of it.

    instead : what stands for an empty cell, by field.
    """
    problems, rows = Problems(), []
    used = [column for column in columns if column.key in matched or column.key in (instead or {})]
    names: dict[str, str | Promise] = {key: head[number] for key, number in matched.items()} | {
        column.key: column.label for column in used if column.key not in matched
    }
    choices = {column.key: _plain_choices(column) for column in used if column.sort == WORD}
    for number, cells in lines:
        row = Row(table, number, {}, names)
        before = len(problems.found)
        for column in used:
            at = matched.get(column.key)
            text = cells[at] if at is not None and at < len(cells) else ""
            text = _unguarded(text) or (instead or {}).get(column.key, "")
            if not text:
                if column.required:
                    problems.add(row, _("%(column)s must not be empty.") % {"column": names[column.key]}, column.key)
                continue
            try:
                row.cells[column.key] = _cell(column, text, day_order, choices.get(column.key, {}))
            except Refusal as refusal:
                said = _("%(column)s: %(what)s") % {"column": names[column.key], "what": refusal.said}
                problems.add(row, said, column.key)
        if len(problems.found) == before and row.cells:
            rows.append(row)
    return rows, problems.found


def _unguarded(text: str) -> str:
    """Tables from here have an apostrophe before what begins like a formula."""
    return text[1:] if text.startswith("'") and text[1:].startswith(RISKY_STARTS) else text


def _plain_choices(column: Column) -> dict[str, str]:
    assert column.choices is not None
    return {plain(word): key for word, key in column.choices().items()}


def _cell(column: Column, text: str, day_order: str, choices: Mapping[str, str]) -> str:
    if column.sort == TEXT:
        return text
    if text.startswith("="):
        raise Refusal(_("“%(value)s” is a formula. Put its value there instead.") % {"value": text[:40]})
    if column.sort == DAY:
        return day_read(text, day_order).isoformat()
    if column.sort in (NUMBER, WHOLE):
        return number_read(text, whole=column.sort == WHOLE)
    found = choices.get(plain(text))
    if found is None:
        known = ", ".join(dict.fromkeys(choices.values()))
        raise Refusal(_("“%(value)s” is not known. Known are: %(known)s.") % {"value": text[:40], "known": known})
    return found


def number_read(text: str, *, whole: bool = False) -> str:
    """`8,5` and `8.5` are the same; a blank may part thousands. Two different marks could mean anything."""
    bare = SPACES.sub("", text)
    if "," in bare and "." in bare:
        raise Refusal(
            _("“%(value)s” has a point and a comma. Write 1200.5, without marks between thousands.")
            % {"value": text[:40]}
        )
    try:
        number = Decimal(bare.replace(",", "."))
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite() or not re.fullmatch(r"[-+]?[0-9.]+", bare.replace(",", ".")):
        raise Refusal(_("“%(value)s” is no number. Write it for example as 8.5 or 8,5.") % {"value": text[:40]})
    if whole and not re.fullmatch(r"[0-9]+", bare):
        raise Refusal(_("“%(value)s” is no whole number. Write it in figures alone.") % {"value": text[:40]})
    return bare.replace(",", ".")


def day_read(text: str, order: str = "") -> dt.date:
    """ISO, or as the language of the moment writes days. What could be two days is refused.

    order : `dmy` or `mdy` where the person said so; empty: the language decides.
    """
    if found := YEAR_FIRST.fullmatch(text):
        return _day(int(found[1]), int(found[3]), int(found[4]), text)
    found = YEAR_LAST.fullmatch(text)
    if found is None:
        raise Refusal(_("“%(value)s” is no day. Write it as 2026-06-09.") % {"value": text[:40]})
    first, mark, second, year = int(found[1]), found[2], int(found[3]), int(found[4])
    year += 2000 if len(found[4]) == 2 else 0
    if not order:
        order = _order_of(first, second, mark, text)
    return _day(year, second, first, text) if order == "dmy" else _day(year, first, second, text)


def _order_of(first: int, second: int, mark: str, text: str) -> str:
    if mark == "." or (get_language() or "")[:2] in DAY_FIRST_LANGUAGES or first > 12 or first == second:
        return "dmy"
    if second > 12:
        return "mdy"
    raise Refusal(
        _(
            "“%(value)s” could be two days. Write it as 2026-06-09, or say with the columns in which order days are written."  # noqa: E501
        )
        % {"value": text}
    )


def _day(year: int, month: int, day: int, text: str) -> dt.date:
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise Refusal(_("There is no day “%(value)s”. Write it as 2026-06-09.") % {"value": text}) from None
