"""Sentences of the engine: made from the season's figures, collected by makemessages, rendered where they are shown."""

import ast
import datetime as dt
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from django.utils import translation

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    Emergence,
    Step,
    backward_plan,
    batch_calendar,
    bench_day_steps,
    cohort_calendar,
    elapsed_after,
    lot_steps,
)
from scheduling.planning.timing.events import CohortEvents
from scheduling.planning.words import message, message_of
from scheduling.queries.words import words_of

ROOT = Path(__file__).resolve().parents[3]
ROOMS = ("scheduling/planning/timing", "scheduling/planning/facts")
DAY = dt.date(2026, 6, 9)
BENCH_AT = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)


# One message, in words


def test_days_and_numbers_are_written_as_people_write_them() -> None:
    words = message("%(n)s µl on %(day)s, %(share)s of it.", n=8, day=DAY, share=Decimal("0.500"))

    assert str(words) == "8 µl on Tue 9 June, 0.5 of it."


@pytest.mark.parametrize(("n", "text"), [(1, "1 day"), (2, "2 days"), (0, "0 days"), (Decimal("2.5"), "2.5 days")])
def test_the_number_decides_on_the_form(n: int | Decimal, text: str) -> None:
    assert str(message_of("%(n)s day", "%(n)s days", n)) == text


def test_inside_a_sentence_a_message_begins_small_but_not_co2() -> None:
    graft, gas = message("Graft"), message("CO2 round")

    assert str(message("Late: %(what)s.", what=graft.inside())) == "Late: graft."
    assert str(message("Late: %(what)s.", what=gas.inside())) == "Late: CO2 round."


def test_a_message_is_translated_with_those_inside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    catalogue = {"Graft": "Umlarven", "Late: %(what)s on %(day)s.": "Spät: %(what)s am %(day)s."}
    monkeypatch.setattr("accounts.told.gettext", lambda text: catalogue.get(text, text))

    words = message("Late: %(what)s on %(day)s.", what=message("Graft").inside(), day=DAY)

    assert words_of(words) == "Spät: umlarven am Tue 9 June."
    with translation.override("de"):
        assert words_of(message("%(day)s", day=DAY)) != "Tue 9 June"


def test_a_percent_sign_in_a_plain_message_stays_one() -> None:
    assert str(message("At least 80 % under good management.")) == "At least 80 % under good management."


# Messages in the source


def messages(rooms: tuple[str, ...] = ROOMS) -> Iterator[tuple[str, ast.Call]]:
    for room in rooms:
        for path in sorted((ROOT / room).glob("*.py")):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"_", "ngettext"}:
                    yield path.name, node


def texts(call: ast.Call) -> list[str]:
    wanted = 2 if isinstance(call.func, ast.Name) and call.func.id == "ngettext" else 1
    return [arg.value for arg in call.args[:wanted] if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]


def test_every_message_is_written_out_where_makemessages_finds_it_and_names_all_its_places() -> None:
    count = 0
    for name, call in messages():
        found = texts(call)
        assert found, (name, call.lineno)
        spread = any(keyword.arg is None for keyword in call.keywords)
        given = {keyword.arg for keyword in call.keywords}
        for text in found:
            places = set(re.findall(r"%\((\w+)\)s", text)) - ({"n"} if len(found) == 2 else set())
            assert places == given or (spread and given - {None} <= places), (name, call.lineno, text)
            count += 1
    assert count > 400


# What stands in a message as a number is a range of the trade that is no setting; everything else is put in.
FIXED = {
    "12 to 24 hours": "Q10, Q13: age of the larvae at the graft, and hours of confinement",
    "34.5": "an example of what to enter",
    "0 to 23": "hours of a day",
    "CO2": "",
    "a day ago": "the singular of days ago",
}
NUMBER = re.compile(r"\d|\b(one|two|three|four|five|six|seven|eight|nine|ten|a day|twice|half)\b", re.IGNORECASE)
NO_FIGURE = (  # number words that say no figure
    "another one", "the other one", "Latest one", "one of them", "first one", "which one", "one has emerged",
    "than one large", "the missing one", "from this one", "this one carries", "the second one",
    "counts as one", "count as one", "of one age", "one source at a time",
    "after poor weather a day or more",
)  # fmt: skip


def test_no_figure_of_the_season_stands_in_a_message_of_the_engine() -> None:
    found = []
    for name, call in messages(("scheduling/planning/timing",)):
        for text in texts(call):
            rest = re.sub(r"%\(\w+\)s", "", text)
            for fixed in (*FIXED, *NO_FIGURE):
                rest = rest.replace(fixed, "")
            if NUMBER.search(rest):
                found.append((name, call.lineno, text))
    assert found == []


OTHER = {
    "co2_spacing_hours": "30",
    "co2_pair_min_hours": "5",
    "co2_treatments": "3",
    "drone_holding_days": "2",
    "drone_catch_lead_days": "2",
    "drone_flying_days": "6",
    "excluder_alarm_age_days": "3",
    "release_if_attacked_days": "4",
    "semen_normal_days": "20",
    "semen_limit_days": "50",
    "virgin_age_first_days": "6",
    "virgin_age_planned_days": "9",
    "virgin_age_last_days": "11",
    "virgin_age_reason_last_days": "13",
    "virgin_give_up_age_days": "22",
    "dose_split_spacing_hours": "60",
    "drone_age_last_days": "27",
    "drone_programme_days": "70",
}


def all_steps(values: dict[str, str]) -> list[Step]:
    settings = settings_from({key: Decimal(value) for key, value in values.items()})
    dosed = BatchEvents(grafted_on=dt.date(2026, 5, 20), doses_at=(BENCH_AT,), is_split_dose=True)
    out = (Emergence(dt.date(2026, 6, 1)),)
    planned = BatchEvents(grafted_on=dt.date(2026, 5, 20), bench_at=BENCH_AT, emergences=out)
    return [
        *batch_calendar(dosed, settings).steps,
        *batch_calendar(planned, settings).steps,
        *cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), settings).steps,
        *backward_plan(DAY, settings),
        *bench_day_steps(BENCH_AT, elapsed_after(BENCH_AT, 5), "Europe/Berlin", settings),
        *lot_steps(DAY, settings),
    ]


def test_words_say_the_figures_of_the_season_and_not_the_defaults() -> None:
    """Whatever number stands in a text either moves with the figures or belongs to no figure."""
    texts_before = {str(step.what) + str(step.why) for step in all_steps({})}
    texts_after = {str(step.what) + str(step.why) for step in all_steps(OTHER)}

    still = {re.sub("12 to 24 hours|CO2|Egg check [123]", "", text) for text in texts_before & texts_after}
    with_number = {text for text in still if re.search(r"\d", text)}

    # The age of drones on a comb day depends on ages that were not moved here; the first egg days neither.
    assert {text for text in with_number if "old on the day" not in text} == set()
    said = " ".join(sorted(texts_after))
    for part in ("30 hours elapsed", "2 days at most", "6 days of flying weather", "At an age of 3 days",
                 "release after 4 days", "20 days after it was collected", "From day 51", "Age 6 days.", "Age 9 days.",
                 "Age 11 days.", "Age 13 days.", "60 hours apart", "at most 27 days old"):  # fmt: skip
        assert part in said, part
