"""The words for states, and the tags and filters that show them."""

import datetime as dt
import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from django import forms
from django.contrib.messages.storage.base import Message
from django.db.models import TextChoices
from django.template import Context, Template
from django.utils import translation

from accounts.models.job import JobState
from accounts.states import STATES, TONES, State, state_choices, state_of, states_of
from accounts.templatetags.broodtide import co2, short_day, short_moment, signed, source_colour, ul, undo_url
from scheduling.models.batch import BenchState
from scheduling.models.bench import LotState
from scheduling.models.booking import BookingState
from scheduling.models.plan import PlanState
from scheduling.models.session import SessionState

SPRITE = Path(__file__).parents[2] / "static" / "icons.svg"


def render(text: str, /, **context: object) -> str:
    return Template(text).render(Context(context))


def test_states_of_a_booking_come_in_the_order_of_its_course() -> None:
    assert [state.key for state in states_of("booking")] == [
        "not_sent", "asked", "queued", "offered", "placed", "moved", "at_bench", "done", "withdrawn", "lapsed",
    ]  # fmt: skip


def test_state_of_gives_word_icon_and_tone() -> None:
    with translation.override("en-gb"):
        assert state_of("booking", "queued") == State("booking", "queued", "In the queue", "hourglass", "wait", 2)


def test_an_unknown_state_is_refused_with_the_known_ones() -> None:
    with pytest.raises(LookupError, match="'lsot' of 'supply'; the registry knows enough, short"):
        state_of("supply", "lsot")


@pytest.mark.parametrize(
    ("thing", "choices"),
    [
        ("booking", BookingState),
        ("plan", PlanState),
        ("bench", BenchState),
        ("session", SessionState),
        ("lot", LotState),
        ("job", JobState),
    ],
)
def test_what_models_store_has_the_same_word_in_the_registry(thing: str, choices: type[TextChoices]) -> None:
    with translation.override("en-gb"):
        words = {key: str(label) for key, label in state_choices(thing)}
        assert {key: str(label) for key, label in choices.choices}.items() <= words.items()


def test_every_tone_is_known_and_every_icon_is_in_the_sprite() -> None:
    drawn = set(re.findall(r'<symbol id="([^"]+)"', SPRITE.read_text()))
    assert {state.tone for state in STATES.values()} <= set(TONES)
    assert {state.icon for state in STATES.values()} - drawn == set()


def test_every_icon_that_a_template_asks_for_is_in_the_sprite() -> None:
    drawn = set(re.findall(r'<symbol id="([^"]+)"', SPRITE.read_text()))
    asked = set()
    for path in (SPRITE.parents[1] / "templates").rglob("*.html"):
        asked |= set(re.findall(r'{% icon "([^"]+)"', path.read_text()))
        asked |= set(re.findall(r'icon="([a-z0-9-]+)"', path.read_text()))
    assert asked
    assert asked - drawn == set()


def test_only_the_named_states_become_choices() -> None:
    assert [key for key, _ in state_choices("plan", only=["published", "sketch"])] == ["sketch", "published"]


def test_state_chip_shows_icon_and_word_and_can_say_more() -> None:
    plain = render('{% state_chip "cohort" "short" %}')
    more = render('{% state_chip "cohort" "short" label=text %}', text="Short <38>")
    assert 'data-tone="stop"' in plain
    assert "#triangle-alert" in plain
    assert "Short</span>" in plain
    assert "Short &lt;38&gt;" in more


@pytest.mark.parametrize(
    ("tenths", "text"), [(80, "8 µl"), (85, "8.5 µl"), (0, "0 µl"), (5, "0.5 µl"), (None, "–"), ("", "–")]
)
def test_volumes_are_shown_in_microlitres(tenths: int | None, text: str) -> None:
    assert ul(tenths) == text


def test_a_day_has_its_year_only_when_it_is_another() -> None:
    today = dt.date(2026, 6, 18)
    assert short_day(dt.date(2026, 6, 25), today) == "Thu 25 June"
    assert short_day(dt.date(2025, 6, 25), today) == "Wed 25 June 2025"
    assert short_day(None, today) == "–"
    assert short_moment(None) == "–"
    with translation.override("es"):
        assert short_day(dt.date(2026, 6, 28), today) == "dom 28 de junio"
        assert short_moment(dt.datetime(2025, 6, 25, 9, 5, tzinfo=dt.UTC)) == "mié 25 de junio de 2025, 09:05"


def test_a_moment_is_shown_as_the_day_of_the_active_zone() -> None:
    from zoneinfo import ZoneInfo

    from django.utils import timezone

    late = dt.datetime(2026, 6, 25, 22, 30, tzinfo=dt.UTC)
    with timezone.override(ZoneInfo("Europe/Oslo")):
        assert short_day(late, dt.date(2026, 6, 18)) == "Fri 26 June"


@pytest.mark.parametrize(
    ("value", "text"),
    [(6.1, "+6.1"), (-0.34, "−0.3"), (0, "0.0"), (-0.04, "0.0"), (None, "–"), (float("nan"), "–")],
)
def test_signed_numbers(value: float | None, text: str) -> None:
    assert signed(value) == text


def test_co2_has_its_low_figure_and_stays_escaped() -> None:
    assert co2("First CO2 for <Rowan>") == "First CO<sub>2</sub> for &lt;Rowan&gt;"


@pytest.mark.parametrize(("letter", "colour"), [("A", 1), ("f", 6), ("G", 0), ("AA", 0), ("", 0)])
def test_sources_have_a_colour_of_their_own_up_to_six(letter: str, colour: int) -> None:
    assert source_colour(letter) == colour


def test_disc_shows_letter_and_name_escaped() -> None:
    @dataclass
    class Source:
        letter: str
        name: str

    html = render("{% disc source %}", source=Source("B", "Fell & Co"))
    assert 'data-d="2"' in html
    assert ">B<" in html
    assert "Fell &amp; Co" in html


def test_a_message_may_carry_the_address_of_its_undo() -> None:
    assert undo_url(Message(25, "Moved.", extra_tags="safe undo:/bookings/4/undo/")) == "/bookings/4/undo/"
    assert undo_url(Message(25, "Moved.")) == ""


class Form(forms.Form):
    queens = forms.IntegerField(label="How many?", help_text="Only those that can fly.", max_value=14)
    mode = forms.ChoiceField(choices=[("a", "One"), ("b", "Two")], widget=forms.RadioSelect)
    agreed = forms.BooleanField(label="Agreed")
    note = forms.CharField(widget=forms.Textarea, required=False)


def test_field_ties_label_help_and_error_together() -> None:
    form = Form({"queens": "41", "mode": "a", "agreed": "on"})
    html = render('{% include "parts/field.html" with field=form.queens %}', form=form)
    assert '<label class="field-label" for="id_queens">' in html
    assert 'aria-describedby="id_queens_helptext id_queens_error"' in html
    assert 'aria-invalid="true"' in html
    assert 'id="id_queens_helptext"' in html
    assert 'id="id_queens_error"' in html
    assert 'value="41"' in html
    assert "less than or equal to 14" in html


def test_choices_stand_in_a_fieldset_with_a_legend() -> None:
    html = render('{% include "parts/field.html" with field=form.mode %}', form=Form())
    assert "<fieldset" in html
    assert "<legend" in html
    assert html.count('type="radio"') == 2


def test_form_lists_its_errors_with_links_to_the_fields() -> None:
    form = Form({"queens": "41", "agreed": ""})
    form.add_error(None, "The season is closed.")
    html = render('{% include "parts/form.html" with form=form submit="Ask for places" %}', form=form)
    assert 'href="#id_queens"' in html
    assert 'href="#id_mode_0"' in html
    assert 'id="id_mode_0"' in html
    assert html.index("The season is closed.") < html.index('name="queens"')
    assert "Ask for places</button>" in re.sub(r"\s+</button>", "</button>", html)
