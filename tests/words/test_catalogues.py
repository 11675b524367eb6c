"""Every catalogue holds every message of the source, translated, with the places of the English; .mo files follow."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from babel.messages import Catalog, Message
from django.conf import settings as project
from django.core.management import call_command
from django.utils.formats import get_format

from accounts import catalogues

PLACES = re.compile(r"%\(\w+\)[a-z]|%[sd%]|\{\w*\}|</?\w+[^>]*>")
LANGUAGES = catalogues.languages()
COUNTED = re.compile(
    r"%\(\w+\)s (queens|drones|mothers|sources|results|scores|generations|days|hours|minutes|entries|places|colonies|"
    r"sessions|batches|rows|cells|cohorts|doses|members)\b"
)
#: Pages say these of a number that is a mean, a range, or never one; scripts take another word for one.
NEVER_ONE = (
    "Chance that both copies of a gene",
    "Share of fertilised eggs that become workers",
    "The stock breeds like %(size)s queens",
    "%(young)s to %(old)s days",
    "The clock of this tablet is %%(n)s minutes wrong",
    "Sign in to send %%(n)s entries",
    "%%(colony)s: %%(n)s scores kept",
)


@pytest.fixture(scope="module")
def source() -> Catalog:
    return catalogues.collected()


def key_of(message: Message) -> tuple[str, object]:
    return (message.context or "", message.id)


def forms(text: str | Iterable[str] | None) -> list[str]:
    return [text] if isinstance(text, str) else list(text or [])


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_catalogue_holds_what_the_source_says_and_nothing_else(code: str, source: Catalog) -> None:
    there, wanted = ({key_of(m) for m in one if m.id} for one in (catalogues.catalogue_read(code), source))
    assert (sorted(map(str, wanted - there)), sorted(map(str, there - wanted))) == ([], [])


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_message_is_translated(code: str) -> None:
    assert catalogues.untranslated(catalogues.catalogue_read(code)) == []


@pytest.mark.parametrize("code", LANGUAGES)
def test_translations_have_the_places_of_the_english(code: str) -> None:
    wrong = []
    for message in catalogues.catalogue_read(code):
        if not message.id:
            continue
        wanted = {place for form in forms(message.id) for place in PLACES.findall(form)}
        always = set.intersection(*(set(PLACES.findall(form)) for form in forms(message.id)))
        for form in forms(message.string):
            has = set(PLACES.findall(form))
            if form and not always <= has <= wanted:
                wrong.append((message.id, form))
    assert wrong == []


def test_what_a_page_counts_has_a_form_for_one(source: Catalog) -> None:
    counted = {
        message.id
        for message in source
        if isinstance(message.id, str)
        and COUNTED.search(message.id.replace("%%", "%"))
        and any(name.startswith("templates/") for name, _line in message.locations)
    }
    assert sorted(text for text in counted if not text.startswith(NEVER_ONE)) == []
    assert [start for start in NEVER_ONE if not any(text.startswith(start) for text in counted)] == []


def test_the_source_is_read_as_django_reads_it(tmp_path: Path, settings: Any) -> None:
    """Tags and calls alike: a whole sentence, a plural, a context, a comment for translators."""
    (tmp_path / "templates").mkdir()
    (tmp_path / "templates" / "a.html").write_text(
        '{% translate "One" %}\n{# Translators: short #}\n{% translate "Two" context "look" %}\n'
        "{% blocktranslate trimmed count n=n %}\n  {{ n }} bee\n{% plural %}\n  {{ n }} bees\n{% endblocktranslate %}\n"
        "<p>don't</p>\n"
    )
    (tmp_path / "accounts").mkdir()
    (tmp_path / "accounts" / "a.py").write_text('_("Three %(n)d")\n_(CONSTANT)\nngettext("a", "b", n)\n_(f"{x}")\n')
    settings.BASE_DIR = tmp_path
    found = {key_of(message): message for message in catalogues.collected() if message.id}
    assert set(found) == {
        ("", "One"),
        ("look", "Two"),
        ("", ("%(n)s bee", "%(n)s bees")),
        ("", "Three %(n)d"),
        ("", ("a", "b")),
    }
    assert found["look", "Two"].auto_comments == ["Translators: short"]


def test_updating_keeps_translations_drops_what_is_gone_and_changes_nothing_the_second_time(
    tmp_path: Path, settings: Any
) -> None:
    settings.LOCALE_PATHS = [tmp_path]
    first, second = Catalog(), Catalog()
    for text in ("stays", "goes"):
        first.add(text, locations=[("a.py", 1)])
    for text in ("stays", "comes"):
        second.add(text, locations=[("a.py", 1)])
    path = catalogues.catalogue_path("fr")
    catalogues.catalogue_update("fr", first)
    path.write_text(path.read_text().replace('msgid "stays"\nmsgstr ""', 'msgid "stays"\nmsgstr "reste"'))
    catalogues.catalogue_update("fr", second)
    kept = path.read_bytes()
    catalogues.catalogue_update("fr", second)
    assert path.read_bytes() == kept
    read = {message.id: message.string for message in catalogues.catalogue_read("fr") if message.id}
    assert read == {"stays": "reste", "comes": ""}
    assert b"nplurals=2; plural=(n > 1)" in kept


def test_a_compiled_catalogue_is_made_once_and_again_when_the_words_change(tmp_path: Path, settings: Any) -> None:
    settings.LOCALE_PATHS = [tmp_path]
    template = Catalog()
    template.add("Word", locations=[("a.py", 1)])
    catalogues.catalogue_update("de", template)
    assert catalogues.catalogues_compile() == ["de"]
    assert catalogues.catalogues_compile() == []
    path = catalogues.catalogue_path("de")
    path.write_text(path.read_text().replace('msgid "Word"\nmsgstr ""', 'msgid "Word"\nmsgstr "Wort"'))
    call_command("words", "--compile", verbosity=0)
    assert b"Wort" in path.with_suffix(".mo").read_bytes()
    assert sorted(one.name for one in path.parent.iterdir()) == ["django.mo", "django.po"]


@pytest.mark.parametrize("code", [code for code, _name in project.LANGUAGES])
def test_the_languages_write_days_and_numbers_their_own_way(code: str) -> None:
    formats = {name: get_format(name, code) for name in ("DECIMAL_SEPARATOR", "FIRST_DAY_OF_WEEK", "TIME_FORMAT")}
    assert formats == {
        "DECIMAL_SEPARATOR": "." if code == "en-gb" else ",",
        "FIRST_DAY_OF_WEEK": 1,
        "TIME_FORMAT": "H:i",
    }
