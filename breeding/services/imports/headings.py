"""Which column is which field, by the plain words of its heading in any language of the site."""

import re
import unicodedata
from collections.abc import Iterable, Sequence

from django.conf import settings
from django.utils.translation import override

from breeding.services.imports.kinds import Column


def plain(text: str) -> str:
    """Without case, accents, brackets, units and marks: “Geschlüpft am (Tag)” is “geschlupft am”."""
    text = re.sub(r"\([^)]*\)|\[[^\]]*\]", " ", text)
    letters = unicodedata.normalize("NFKD", text.replace("ß", "ss")).casefold()
    return " ".join(re.findall(r"[^\W_]+", "".join(c for c in letters if not unicodedata.combining(c))))


def in_every_language(text: object) -> set[str]:
    found = set()
    for code, _name in settings.LANGUAGES:
        with override(code):
            found.add(plain(str(text)))
    return found


def words_of(column: Column) -> set[str]:
    return {plain(column.key), *in_every_language(column.label), *(plain(word) for word in column.words)}


def columns_matched(columns: Iterable[Column], head: Sequence[str]) -> dict[str, int]:
    """Field to number of its column; what nobody recognises is left out, and no column is given twice."""
    plain_head = [plain(cell) for cell in head]
    matched: dict[str, int] = {}
    for column in columns:
        words = words_of(column)
        for number, cell in enumerate(plain_head):
            if cell and cell in words and number not in matched.values():
                matched[column.key] = number
                break
    return matched
