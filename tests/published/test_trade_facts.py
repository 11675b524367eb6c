"""Every figure of `facts/` against the printed rows it names: value, and how well it is founded.

The rows are in `data/trade_facts.csv`, each with its source. A published or practised figure is printed in one of its
rows, or worked out from one by the sum given here; every other figure is this project's own and says so.
"""

import csv
import re
from decimal import Decimal
from pathlib import Path

import pytest

from scheduling.planning.facts import CONFLICTS, FACTS, Conflict, Fact, SourceKind
from scheduling.planning.facts.page import figures_section, figures_table

HERE = Path(__file__).resolve().parent
PLANNING = HERE.parents[1] / "scheduling" / "planning"
ROWS = {
    row["id"]: row for row in csv.DictReader((HERE / "data" / "trade_facts.csv").open(encoding="utf-8", newline=""))
}
OWN = [fact for fact in FACTS.values() if fact.source_kind is SourceKind.FROM_MEMORY]
FOUNDED = [fact for fact in FACTS.values() if fact.source_kind is not SourceKind.FROM_MEMORY]

# Not printed as a number of its own: the row, the words or number that are printed there, and the sum.
WORKED_OUT = {
    "accepted_share": ("Q18", "80", Decimal(80) / 100),
    "cell_temperature_cold_c": ("Q06", "at 32 C", Decimal(32)),
    "usable_share": ("R21", "40.5", 1 - Decimal("40.5") / 100),
    "dose_split_ul": ("D04", "2 x 4 ul", Decimal(4)),
    "dose_min_ul": ("D03", "2 x 3", Decimal(2) * 3),
    "release_if_attacked_days": ("K05", "3-4 days later", Decimal(3)),
    "inbreeding_rate_share": ("G12", "1", Decimal(1) / 100),
    "co2_first_before": ("C02", "before insemination", Decimal(1)),
}


def numbers(row: str) -> set[Decimal]:
    printed = " ".join(ROWS[row][column] for column in ("low", "typical", "high"))
    return {Decimal(number) for number in re.findall(r"\d+(?:\.\d+)?", printed)}


def test_every_row_that_is_named_anywhere_is_a_printed_row() -> None:
    in_code = {
        row
        for room in ("timing", "facts")
        for path in (PLANNING / room).glob("*.py")
        for row in re.findall(r"\b[A-Z]\d\d\b", path.read_text("utf-8"))
    }

    assert in_code == set(ROWS)
    assert {row for fact in FACTS.values() for row in fact.rows} <= in_code
    assert {row for conflict in CONFLICTS for row in conflict.rows} <= in_code


@pytest.mark.parametrize("fact", FOUNDED, ids=lambda fact: fact.key)
def test_a_published_or_practised_figure_is_printed_in_one_of_its_rows(fact: Fact) -> None:
    if fact.key in WORKED_OUT:
        row, printed, value = WORKED_OUT[fact.key]
        assert row in fact.rows
        assert printed in " ".join(ROWS[row].values())
        assert fact.default == value
    else:
        assert fact.default in set().union(*(numbers(row) for row in fact.rows))


@pytest.mark.parametrize("fact", FOUNDED, ids=lambda fact: fact.key)
def test_no_figure_is_called_better_founded_than_its_rows(fact: Fact) -> None:
    kinds = {ROWS[row]["source_kind"] for row in fact.rows if "GAP" not in ROWS[row]["note"]}
    enough = {"published"} if fact.source_kind is SourceKind.PUBLISHED else {"published", "common practice"}

    assert kinds & enough, fact.key


def test_a_row_without_a_figure_gives_no_default_that_looks_like_one() -> None:
    """GAP rows: a figure that rests on nothing else is a gap, ours, and without a default or with one to be set."""
    gaps = {row for row, printed in ROWS.items() if "GAP" in printed["note"]}
    resting = [fact for fact in FACTS.values() if set(fact.rows) <= gaps]

    assert {"C22", "G13", "O01", "O02", "R26", "R27"} <= gaps
    assert len(resting) >= 7
    for fact in resting:
        assert (fact.is_gap, fact.source_kind) == (True, SourceKind.FROM_MEMORY), fact.key
        assert fact.default is None or "coordinator must set" in str(fact.why), fact.key


def test_what_the_table_calls_a_choice_of_the_project_is_called_ours() -> None:
    ours = {
        row
        for row, printed in ROWS.items()
        if "PROJECT DEFAULT" in printed["note"] or "this project" in printed["note"]
    }
    resting = {fact.key for fact in FACTS.values() if fact.rows[0] in ours}

    assert resting
    assert {key for key in resting if FACTS[key].source_kind is not SourceKind.FROM_MEMORY} == set()


@pytest.mark.parametrize("fact", OWN, ids=lambda fact: fact.key)
def test_a_figure_of_ours_says_why_and_stays_within_its_bounds(fact: Fact) -> None:
    assert str(fact.why)
    assert fact.default is None or fact.low <= fact.default <= fact.high


@pytest.mark.parametrize("conflict", CONFLICTS, ids=lambda conflict: conflict.key)
def test_both_sides_of_a_conflict_are_printed_and_its_figures_rest_on_its_rows(conflict: Conflict) -> None:
    assert set(conflict.rows) <= set(ROWS)
    for key in conflict.settings:
        assert FACTS[key].default is not None, key


def test_the_page_lists_every_figure_as_the_engine_has_it() -> None:
    page = (HERE.parents[1] / "docs" / "timing.md").read_text(encoding="utf-8")

    assert figures_section(page) == figures_table()
    assert [key for key in FACTS if f"| `{key}` |" not in page] == []
