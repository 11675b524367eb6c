"""Every page in a made-up language: no word is shown that no translator had."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator

import pytest
from django.test import Client
from django.utils import timezone, translation

from accounts.models import Person
from scheduling.services.practice.make import practice_make
from tests.browser.pages import ANONYMOUS, Pages
from tests.words.data import words_of_data
from tests.words.pseudo import marked, numbers_for_people, pseudo_language, words_outside

NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=dt.UTC)
ROLES = ("coordinator", "member1", "breeder", "operator")
#: What is the same for everybody is opened by the first only.
OWN = ("today", "accounts:more", "scheduling:lines", "scheduling:bench", "breeding:standing", "accounts:settings")
Found = dict[str, set[str]]


def opened(pages: Pages) -> Iterator[tuple[str, str]]:
    """Name and text of each page, as those see it who may."""
    addresses = pages.addresses()
    for role in ROLES:
        client = Client()
        client.force_login(pages.by[role])
        for name, found in addresses.items():
            if role != ROLES[0] and name not in OWN:
                continue
            for address in found:
                answer = client.get(address)
                if answer.headers.get("Content-Type", "").startswith("text/html"):
                    yield f"{role} {name}", answer.content.decode()
    for name in ANONYMOUS:
        for address in addresses[name]:
            yield name, Client(headers={"Accept-Language": "de"}).get(address).content.decode()


def faults_of_pages(pages: Pages) -> tuple[int, Found, Found]:
    """How many pages, words outside of the marks and numbers in attributes, each with the pages that hold it."""
    allowed, number = words_of_data(), 0
    words: Found = defaultdict(set)
    numbers: Found = defaultdict(set)
    with pseudo_language():
        for name, page in opened(pages):
            number += 1
            for fault in words_outside(page, allowed):
                words[fault].add(name)
            for fault in numbers_for_people(page):
                numbers[fault].add(name)
    return number, dict(words), dict(numbers)


@pytest.mark.once
@pytest.mark.django_db
def test_every_page_hands_all_its_words_to_translators(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    practice_make(size="small", seconds=0.5, now=NOW)
    Person.objects.update(language="de")
    number, words, numbers = faults_of_pages(Pages(NOW))
    assert (words, numbers) == ({}, {})
    assert number > 150


def test_a_word_outside_of_the_marks_is_found_wherever_it_is_seen_or_heard() -> None:
    page = f"""<p>{marked("Written by us.")} Ling <b>Forgotten</b></p><input placeholder="Also" value="8.5">
    <p lang="en">A title</p><svg><text>Drawn</text></svg><img alt="{marked("Heard")}"><script>var word</script>"""
    assert words_outside(page, {"ling"}) == ["b: Forgotten", "input placeholder: Also", "text: Drawn"]


def test_a_message_that_no_catalogue_has_is_not_marked() -> None:
    with translation.override("de"), pseudo_language():
        assert translation.gettext("Skip to the page").startswith("⟦Skip to the page ")
        assert translation.gettext("A sentence that nobody collected") == "A sentence that nobody collected"
        assert translation.pgettext("abbrev. month", "April") == "⟦April⟧"
        assert translation.ngettext("%(n)d hour", "%(n)d hours", 3) == marked("%(n)d hours")


def test_a_number_for_programs_is_found_in_a_field_that_people_read() -> None:
    page = '<input inputmode="decimal" value="8.5"><input inputmode="decimal" value="8,5"><input value="8.5">'
    assert numbers_for_people(page) == ["input value='8.5'"]


def test_a_number_for_people_is_found_where_programs_read_it() -> None:
    page = '<rect x="8,5" y="3"/><path d="M1,5 2,5"/><div data-step="0,5" data-label="8,5 µl"></div><input value="8,5">'
    assert numbers_for_people(page) == ["rect x='8,5'", "path d='M1,5 2,5'", "div data-step='0,5'"]
