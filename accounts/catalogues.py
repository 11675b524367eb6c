"""The catalogues of words under `locale/`: collected from the source, brought up to date, compiled.

All by Babel, so that no gettext is needed on the machine. `django.po` belongs to the project; `django.mo` is made of it
where it is needed (`manage.py words --compile`) and is in nobody's keeping.
"""

import io
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from babel.messages import Catalog
from babel.messages.extract import extract_python
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.conf import settings
from django.utils.translation import to_locale
from django.utils.translation.template import templatize

SOURCES = ["accounts", "breeding", "config", "scheduling", "templates", "viz"]
KEYWORDS = dict.fromkeys(
    f"{number}{context}gettext{lazy}" for number in ("", "n") for context in ("", "p") for lazy in ("", "_lazy")
) | dict.fromkeys(["_", "gettext_noop"])
COMMENT = "Translators"  # a comment that begins so, above a message, goes to the translators
WIDTH = 119


def languages() -> list[str]:
    """Codes of the languages that have a catalogue: all but the one that the source is written in."""
    return [code for code, _name in settings.LANGUAGES if code != settings.LANGUAGE_CODE]


def catalogue_path(code: str) -> Path:
    return Path(settings.LOCALE_PATHS[0]) / to_locale(code) / "LC_MESSAGES" / "django.po"


def collected() -> Catalog:
    """Every message of the source, with where it stands."""
    catalog = Catalog(project="Broodtide", charset="utf-8")
    for path in _files():
        name = path.relative_to(settings.BASE_DIR).as_posix()
        text = path.read_text(encoding="utf-8")
        if path.suffix != ".py":
            # What Django's tags say, as calls of gettext, each on the line of its tag.
            text = "\n".join(line.strip() for line in templatize(text, origin=name).splitlines()) + "\n"
        found: Any = extract_python(io.BytesIO(text.encode()), KEYWORDS, [COMMENT], {})
        for line, function, given, comments in found:
            _add(catalog, name, line, function, given, comments)
    return catalog


def catalogue_read(code: str) -> Catalog:
    path = catalogue_path(code)
    catalog = Catalog()
    if path.exists():
        with path.open("rb") as file:
            catalog = read_po(file)
    # Whatever tool wrote it: plural forms follow from the language, and the head is nobody's guess.
    catalog.locale, catalog.fuzzy, catalog.project, catalog.version = to_locale(code), False, "Broodtide", "1"
    catalog.header_comment = f"# The words of Broodtide: {dict(settings.LANGUAGES)[code]}. See docs/languages.md."
    return catalog


def catalogue_update(code: str, template: Catalog) -> Catalog:
    """Take up what is new in the source; what is gone goes. Nothing is guessed: new messages wait for a translator."""
    catalog = catalogue_read(code)
    catalog.update(template, no_fuzzy_matching=True, update_header_comment=False, update_creation_date=False)
    catalog.obsolete.clear()
    path = catalogue_path(code)
    path.parent.mkdir(parents=True, exist_ok=True)
    with _instead_of(path) as file:
        write_po(file, catalog, width=WIDTH, sort_by_file=True, include_lineno=False)
    return catalog


def catalogues_compile() -> list[str]:
    """Compile what is older than its catalogue. Returns the codes of those."""
    made = []
    for code in languages():
        source = catalogue_path(code)
        target = source.with_suffix(".mo")
        if not source.exists() or (target.exists() and target.stat().st_mtime_ns >= source.stat().st_mtime_ns):
            continue
        with _instead_of(target) as file:
            write_mo(file, catalogue_read(code))
        made.append(code)
    return made


def untranslated(catalog: Catalog) -> list[str]:
    """Messages that nobody has translated yet, or of which somebody was not sure."""
    found = []
    for message in catalog:
        forms = message.string if isinstance(message.string, tuple | list) else [message.string]
        if message.id and (message.fuzzy or not all(forms)):
            found.append(message.id if isinstance(message.id, str) else message.id[0])
    return found


def _files() -> Iterator[Path]:
    for folder in SOURCES:
        for path in sorted((Path(settings.BASE_DIR) / folder).rglob("*")):
            if path.suffix in {".py", ".html", ".txt"} and "migrations" not in path.parts:
                yield path


def _add(catalog: Catalog, name: str, line: int, function: str, given: Any, comments: list[str]) -> None:
    """Add what one call says; a call whose message is worked out says nothing to translators."""
    words = list(given) if isinstance(given, tuple) else [given]
    context = words.pop(0) if "pgettext" in function else None
    message = words[0] if not function.startswith("n") else tuple(words[:2])
    if message and all(message):
        catalog.add(message, None, [(name, line)], auto_comments=comments, context=context)


class _instead_of:  # noqa: N801 - used as a function
    """A file that takes the place of another when it is written whole: two processes may do it at once."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> BinaryIO:
        handle, self._name = tempfile.mkstemp(dir=self._path.parent)
        self._file = os.fdopen(handle, "wb")
        return self._file

    def __exit__(self, kind: object, *_rest: object) -> None:
        self._file.close()
        if kind is not None:
            os.unlink(self._name)
            return
        os.chmod(self._name, 0o644)
        os.replace(self._name, self._path)
