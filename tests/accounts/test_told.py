"""Messages that are kept: put into words when they are read, whoever wrote them and in whatever language."""

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import translation
from django.utils.translation import gettext_lazy

from accounts.models import Job
from accounts.told import Moment, Told, and_told, kept_text, one_after_the_other, read_text, told, told_of
from tests.factories import NOW, CooperativeFactory

DAY = dt.date(2026, 6, 25)
BENCH = Moment(dt.datetime(2026, 6, 27, 7, 30, tzinfo=dt.UTC), "Europe/Berlin")


def everything() -> Told:
    return told_of("%(n)d queen of %(batch)s", "%(n)d queens of %(batch)s: %(all)s", 3) % {
        "n": 1200,
        "batch": "Rowan 1",
        "all": and_told([DAY, BENCH, Decimal("8.5"), gettext_lazy("June"), Told("CO2", is_inside=True)]),
    }


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en-gb", "1200 queens of Rowan 1: Thu 25 June, Sat 27 June, 09:30, 8.5, June and CO2"),
        ("de", "Do 25. Juni, Sa 27. Juni, 09:30, 8,5, Juni"),
        ("es", "jue 25 de junio, sáb 27 de junio, 09:30, 8,5, Junio"),
    ],
)
def test_one_message_is_read_in_each_language_with_its_days_and_numbers(language: str, words: str) -> None:
    with translation.override(language):
        assert words.lower() in str(everything()).lower()


def test_what_is_kept_comes_back_as_it_was_and_the_same_in_every_language() -> None:
    kept = set()
    for language in ("en-gb", "fr"):
        with translation.override(language):
            kept.add(kept_text(everything()))
    assert len(kept) == 1
    assert read_text(kept.pop()) == everything()


@pytest.mark.parametrize(
    "text", ["", "Rowan 1: graft", '{"msgid": ', '{"msgid": 3', '{"msgid": "x", "params": {"n": {"number": "y"}}}']
)
def test_plain_text_is_read_as_it_stands_whatever_it_looks_like(text: str) -> None:
    assert read_text(text) == text


def test_a_message_inside_a_sentence_begins_small_but_a_sign_keeps_its_capitals() -> None:
    assert str(Told("Cage the cells", is_inside=True)) == "cage the cells"
    assert str(Told("CO2 is given", is_inside=True)) == "CO2 is given"


def test_sentences_follow_each_other_and_empty_ones_leave_nothing() -> None:
    assert str(one_after_the_other([told("One."), "", "Two."])) == "One. Two."


@pytest.mark.parametrize("value", [dt.datetime(2026, 6, 25, tzinfo=dt.UTC), 8.5, True])
def test_what_would_be_written_in_nobodys_way_is_refused(value: object) -> None:
    with pytest.raises(TypeError):
        told("%(value)s") % {"value": value}


@pytest.mark.django_db
def test_a_row_keeps_the_message_and_old_rows_their_text() -> None:
    fields = {"cooperative": CooperativeFactory(), "kind": "plan", "requested_at": NOW}
    new = Job.objects.create(**fields, problem=told("%(n)d results") % {"n": 2})
    old = Job.objects.create(**fields, problem="Stopped on request.")
    for job in (new, old):
        job.refresh_from_db()
    assert (new.problem, old.problem) == (told("%(n)d results") % {"n": 2}, "Stopped on request.")
    assert Job.objects.filter(problem=told("%(n)d results") % {"n": 2}).get() == new
