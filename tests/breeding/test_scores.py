"""Scores: validated, given to the right queen, kept when corrected, written once."""

import datetime as dt
import uuid
from decimal import Decimal
from typing import Any

import pytest

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Score
from breeding.queries.records import SeasonResult, season_results
from breeding.services.scores import (
    Observation,
    score_correct,
    score_record,
    score_restore,
    score_withdraw,
    visit_record,
)
from tests.breeding.conftest import Stock
from tests.factories import NOW, HeadingFactory, PersonFactory, QueenFactory, TraitFactory

pytestmark = pytest.mark.django_db
DAY = dt.date(2025, 7, 1)


def _record(stock: Stock, trait: str = "gentleness", **facts: Any) -> Score:
    fields = {"scored_on": DAY, "by": PersonFactory(name="Ada"), "now": NOW, **facts}
    return score_record(stock.colony, trait=stock.traits[trait], **fields)


def test_a_score_belongs_to_the_queen_of_that_day_and_leaves_its_row(stock: Stock) -> None:
    score = _record(stock, value=Decimal("3.5"), note="Windy")
    assert (score.queen, score.value, score.note) == (stock.queen, Decimal("3.5"), "Windy")
    entry = AuditEntry.objects.filter(action="score.record").latest("pk")
    assert (entry.by_name, entry.after["queen"], entry.after["value"]) == ("Ada", "Rowan 1", "3.5")


def test_on_the_day_of_requeening_the_bees_are_still_those_of_the_earlier_queen(stock: Stock) -> None:
    stock.heading.until = DAY
    stock.heading.save()
    follower = HeadingFactory(colony=stock.colony, queen=QueenFactory(owner=stock.owner), since=DAY).queen
    assert _record(stock, value=Decimal(3)).queen == stock.queen
    assert _record(stock, value=Decimal(3), scored_on=DAY + dt.timedelta(days=1)).queen == follower


def test_a_pin_test_is_worth_what_its_counts_say(stock: Stock) -> None:
    score = _record(stock, "pin_test", part=38, whole=50, method="pin", hours=Decimal(10))
    assert (score.value, score.part, score.whole) == (Decimal(76), 38, 50)


@pytest.mark.parametrize(
    ("trait", "facts", "rule", "field"),
    [
        ("gentleness", {"value": Decimal(5)}, "score_scale", "value"),
        ("gentleness", {"value": Decimal("3.2")}, "score_scale", "value"),
        ("gentleness", {}, "score_scale", "value"),
        ("pin_test", {"part": 51, "whole": 50, "method": "pin"}, "score_scale", "part"),
        ("pin_test", {"part": 5, "method": "pin"}, "score_scale", "whole"),
        ("pin_test", {"part": 5, "whole": 50}, "score_scale", "method"),
        ("gentleness", {"value": Decimal(3), "scored_on": dt.date(2026, 6, 10)}, "future_day", "scored_on"),
        ("gentleness", {"value": Decimal(3), "scored_on": dt.date(2025, 3, 1)}, "no_queen", "scored_on"),
        ("gentleness", {"value": Decimal(3), "scored_on": dt.date(2025, 6, 1)}, "scored_that_day", "scored_on"),
    ],
)
def test_a_score_that_cannot_be_is_refused(
    stock: Stock, trait: str, facts: dict[str, Any], rule: str, field: str
) -> None:
    with pytest.raises(Refusal) as refusal:
        _record(stock, trait, **facts)
    assert (refusal.value.rule, refusal.value.field) == (rule, field)
    assert Score.objects.count() == 1


def test_no_scores_after_the_end_of_a_colony_or_of_a_foreign_trait(stock: Stock) -> None:
    stock.colony.ended_on = dt.date(2025, 6, 30)
    stock.colony.save()
    with pytest.raises(Refusal) as refusal:
        _record(stock, value=Decimal(3))
    assert refusal.value.rule == "colony_ended"
    with pytest.raises(Refusal) as refusal:
        score_record(stock.colony, trait=TraitFactory(), scored_on=DAY, value=Decimal(3), by=None, now=NOW)
    assert refusal.value.rule == "other_cooperative"


def test_the_same_entry_sent_twice_is_one_score(stock: Stock) -> None:
    entry = uuid.uuid4()
    first = _record(stock, value=Decimal(3), entry=entry)
    assert _record(stock, value=Decimal(4), entry=entry) == first
    assert Score.objects.filter(entry=entry).values_list("value", flat=True).get() == 3
    with pytest.raises(Refusal) as refusal:
        _record(stock, "calmness", value=Decimal(3), entry=entry)
    assert refusal.value.rule == "entry_used"


def test_a_correction_keeps_the_earlier_score_readable(stock: Stock) -> None:
    new = score_correct(stock.score, value=Decimal("2.5"), note="Misread", by=PersonFactory(), now=NOW)
    stock.score.refresh_from_db()
    assert stock.score.replaced_by == new
    assert (stock.score.value, new.value, new.queen, new.withdrawn_at) == (
        Decimal(3),
        Decimal("2.5"),
        stock.queen,
        None,
    )
    entry = AuditEntry.objects.get(action="score.correct")
    assert (entry.before["value"], entry.after["value"], entry.note) == ("3.000", "2.5", "Misread")
    with pytest.raises(Refusal) as refusal:
        score_correct(stock.score, value=Decimal(2), by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "score_replaced"
    with pytest.raises(Refusal) as refusal:
        score_withdraw(stock.score, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "score_replaced"


def test_correcting_to_the_same_value_changes_nothing(stock: Stock) -> None:
    assert score_correct(stock.score, value=Decimal(3), by=PersonFactory(), now=NOW) == stock.score
    assert Score.objects.count() == 1


def test_a_withdrawn_score_makes_room_for_another_and_comes_back_only_into_free_room(stock: Stock) -> None:
    for _ in range(2):
        score_withdraw(stock.score, by=PersonFactory(), now=NOW)
    assert AuditEntry.objects.filter(action="score.withdraw").count() == 1
    second = _record(stock, value=Decimal(4), scored_on=stock.score.scored_on)
    with pytest.raises(Refusal) as refusal:
        score_restore(stock.score, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "scored_that_day"
    score_withdraw(second, by=PersonFactory(), now=NOW)
    assert score_restore(stock.score, by=PersonFactory(), now=NOW).withdrawn_at is None


def test_a_visit_is_written_whole_or_not_at_all(stock: Stock) -> None:
    seen = [
        Observation(stock.traits["gentleness"], value=Decimal(3)),
        Observation(stock.traits["pin_test"], part=60, whole=50, method="pin"),
    ]
    with pytest.raises(Refusal) as refusal:
        visit_record(stock.colony, scored_on=DAY, observations=seen, by=None, now=NOW)
    assert (refusal.value.field, Score.objects.count()) == ("pin_test-part", 1)


def test_season_results_follow_the_rule_of_each_trait_and_leave_out_what_does_not_count(stock: Stock) -> None:
    for day, value in ((2, 3), (9, 4), (16, 2)):
        _record(stock, "swarming", value=Decimal(value), scored_on=dt.date(2025, 6, day))
    for day, weight in ((2, "10.5"), (9, "20")):
        _record(stock, "honey_yield", value=Decimal(weight), scored_on=dt.date(2025, 6, day))
    wrong = _record(stock, value=Decimal(1), scored_on=dt.date(2025, 6, 16))
    score_correct(wrong, value=Decimal(4), by=None, now=NOW)
    score_withdraw(_record(stock, "calmness", value=Decimal(1)), by=None, now=NOW)
    queen = stock.queen.pk
    assert season_results(stock.colony.scores.all()) == [
        SeasonResult("gentleness", 2025, queen, Decimal("3.5"), 2, ""),
        SeasonResult("honey_yield", 2025, queen, Decimal("30.5"), 2, ""),
        SeasonResult("swarming", 2025, queen, Decimal(2), 3, ""),
    ]
