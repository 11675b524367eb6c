"""What a kind of table is: its fields, how their headings are recognised, who checks, writes and takes back."""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from django.conf import settings
from django.utils.functional import Promise
from django.utils.module_loading import import_string
from django.utils.translation import override

from accounts.access import Viewer
from accounts.models import Person
from breeding.services.loading.files import Problem, Row
from breeding.services.loading.write import Made

TEXT, DAY, NUMBER, WHOLE, WORD = "text", "day", "number", "whole", "word"


@dataclass(frozen=True)
class Column:
    """One field of a kind.

    Parameters
    ----------
    label : its name on the pages and in the template files.
    words : plain words by which its heading is recognised too, in the languages of the site.
    sort : TEXT, DAY, NUMBER, WHOLE, or WORD (one of a few).
    choices : for WORD, plain words to what they stand for; worked out when asked for.
    """

    key: str
    label: Promise
    words: tuple[str, ...] = ()
    sort: str = TEXT
    required: bool = False
    example: str = ""
    help: Promise | str = ""
    choices: Callable[[], Mapping[str, str]] | None = None


@dataclass(frozen=True)
class Checked:
    """What rows would make: new things by name, rows that stand already, what is wrong, and how to write it."""

    new: dict[str, int]
    unchanged: int
    problems: list[Problem]
    fingerprint: str
    write: Callable[[], Made]


@dataclass(frozen=True)
class Asked:
    """For whom rows are checked: scope and sentences go by the viewer."""

    viewer: Viewer
    by: Person
    now: dt.datetime


Check = Callable[[Asked, list[Row], list[Problem]], Checked]
TakeBack = Callable[[Made, Asked, dt.datetime], None]


@dataclass(frozen=True)
class Kind:
    """member : the field that says whose the things are; where it is empty, the import's own member stands in."""

    key: str
    label: Promise
    help: Promise
    icon: str
    columns: tuple[Column, ...]
    check: Check
    take_back: TakeBack
    member: str = ""
    names: Mapping[str, Any] = field(default_factory=dict)

    def column(self, key: str) -> Column:
        return next(column for column in self.columns if column.key == key)


def words_for(keys: Mapping[str, tuple[str, ...]], labels: Mapping[str, object]) -> dict[str, str]:
    """Every word for every key: itself, its name in each language, and what people say besides."""
    found: dict[str, str] = {}
    for key, words in keys.items():
        for code, _name in settings.LANGUAGES:
            with override(code):
                found[str(labels.get(key, key))] = key
        found |= dict.fromkeys(words, key)
    return found | {key: key for key in keys}


@cache
def kinds() -> dict[str, Kind]:
    """Every kind of table, in the order in which they are offered."""
    return {key: import_string(path) for key, path in settings.IMPORT_KINDS.items()}
