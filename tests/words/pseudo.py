"""A made-up language: every message that translators get stands in marks and is longer; whatever else is shown is not.

What a page shows outside of the marks was never handed to a translator: written into the source as it stands, glued
together, or translated when the module was loaded.
"""

import re
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from unittest import mock

from django.utils.translation import trans_real

from accounts import told
from accounts.catalogues import collected
from scheduling.views import pictures

OPENS, CLOSES = "⟦", "⟧"
LONGER = 0.4  # room that other languages need
FILLER = "ẍẍẍẍẍ"
WORD = re.compile(r"[^\W\d_]{2,}")
SILENT = {"script", "style", "code", "pre", "kbd"}
SPOKEN = {"aria-label", "title", "placeholder", "alt", "data-said", "data-foot", "label"}
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


def marked(text: str) -> str:
    longer = " ".join([FILLER] * round(len(text) * LONGER / len(FILLER)))
    return f"{OPENS}{text}{' ' + longer if longer else ''}{CLOSES}"


def messages() -> set[str]:
    """As gettext is asked for them: singulars and plurals, those with a context behind it."""
    found = set()
    for message in collected():
        forms = [message.id] if isinstance(message.id, str) else message.id
        found |= {f"{message.context}{trans_real.CONTEXT_SEPARATOR}{one}" if message.context else one for one in forms}
    return found


@contextmanager
def pseudo_language() -> Iterator[None]:
    """Django's own words (names of months, of errors) are marked too, with its translation of them."""
    known = messages()
    asked, counted = trans_real.DjangoTranslation.gettext, trans_real.DjangoTranslation.ngettext

    def shown(message: str) -> str:
        return marked(message.rpartition(trans_real.CONTEXT_SEPARATOR)[2])

    def gettext(self: trans_real.DjangoTranslation, message: str) -> str:
        if message in known:
            return shown(message)
        said = str(asked(self, message))
        return marked(said) if said != message or message in vars(self)["_catalog"] else said

    def ngettext(self: trans_real.DjangoTranslation, one: str, many: str, n: int) -> str:
        if one in known:
            return shown(one if n == 1 else many)
        said = str(counted(self, one, many, n))
        return marked(said) if said not in {one, many} else said

    with (
        mock.patch.object(trans_real.DjangoTranslation, "gettext", gettext),
        mock.patch.object(trans_real.DjangoTranslation, "ngettext", ngettext),
    ):
        _forget()
        yield
    _forget()


def _forget() -> None:
    """Days and drawings are kept by the language they are in, which another one stands in for here."""
    told._written.cache_clear()
    pictures._rule_drawn.cache_clear()


class _Seen(HTMLParser):
    """Words outside of the marks, with the element that they stand in."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.depth = 0
        self.outside: list[tuple[str, str]] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.typed: list[str] = []  # what stands in fields for decimals

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(f"{tag} en" if ("lang", "en") in attrs else tag)
        if ("inputmode", "decimal") in attrs:
            self.typed.append(dict(attrs).get("value") or "")
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name in SPOKEN and value and not self.is_silent():
                self.outside += [(f"{tag} {name}", part) for part in outside(value)]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        while any(one.split()[0] == tag for one in self.open) and self.open.pop().split()[0] != tag:
            pass

    def is_silent(self) -> bool:
        return any(one in SILENT or one.endswith(" en") for one in self.open)

    def handle_data(self, data: str) -> None:
        if self.is_silent():
            return
        where = self.open[-1] if self.open else ""
        text = ""
        for letter in data:
            if letter == OPENS:
                self.depth += 1
            elif letter == CLOSES:
                self.depth -= 1
            elif self.depth == 0:
                text += letter
        if text.strip():
            self.outside.append((where, text.strip()))


def outside(text: str) -> list[str]:
    """The parts of a text that stand in no marks."""
    depth, part, found = 0, "", []
    for letter in text:
        if letter == OPENS:
            depth += 1
        elif letter == CLOSES:
            depth -= 1
        elif depth == 0:
            part += letter
            continue
        found.append(part)
        part = ""
    return [one for one in [*found, part] if one.strip()]


def words_outside(page: str, allowed: Collection[str]) -> list[str]:
    """“where: text” for each text with a word that neither a translator had nor the data hold."""
    seen = _Seen()
    seen.feed(page)
    return [
        f"{where}: {text[:80]}"
        for where, text in seen.outside
        if any(word.lower() not in allowed for word in WORD.findall(text))
    ]


COMMA = re.compile(r"(?<![\w,])-?\d+,\d+(?![\w,])")
NUMBERS = {"min", "max", "step", "x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "rx", "ry", "width", "height", "dx"}
NUMBERS |= {"dy", "transform", "viewbox", "offset", "stroke-width", "content", "href", "action"}
PATHS = {"d", "points"}


def numbers_for_people(page: str) -> list[str]:
    """Attributes that programs read, with a number written as people of some languages write it; and a field that
    people read and write in, with a number as programs write it.
    """
    seen = _Seen()
    seen.feed(page)
    found = [f"{tag} {name}={value[:60]!r}" for tag, name, value in seen.attributes if _is_wrong(tag, name, value)]
    return [*found, *(f"input value={value!r}" for value in seen.typed if "." in value)]


def _is_wrong(tag: str, name: str, value: str) -> bool:
    if name in NUMBERS or name in PATHS or (name == "value" and tag in {"progress", "meter", "option"}):
        return bool(COMMA.search(value))
    return name.startswith("data-") and bool(COMMA.fullmatch(value))
