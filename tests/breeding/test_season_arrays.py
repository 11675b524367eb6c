"""Season results by the database and numpy are those that decimals give score by score."""

import datetime as dt
import random
from decimal import Decimal

import numpy as np
import pytest

from breeding.models import Score, Trait
from breeding.queries.records import season_results
from breeding.queries.season_arrays import season_arrays
from breeding.services.traits import traits_make
from tests.factories import (
    NOW,
    ApiaryFactory,
    ColonyFactory,
    CooperativeFactory,
    MemberFactory,
    QueenFactory,
    ScoreFactory,
)

pytestmark = pytest.mark.django_db


def _scored(seed: int) -> list[Trait]:
    """Every trait in four colonies over two years, with odd means, halves, two methods and two reading times."""
    chance = random.Random(seed)
    member = MemberFactory()
    traits = traits_make(member.cooperative, by=None, now=NOW)
    apiaries = [ApiaryFactory(member=member) for _ in range(2)]
    for number in range(4):
        colony, queen = ColonyFactory(apiary=apiaries[number % 2]), QueenFactory(owner=member)
        for trait in traits:
            for visit in range(chance.randint(0, 5)):
                counted: dict[str, object] = {}
                if trait.key in {"pin_test", "overwintering", "varroa"}:
                    whole = chance.randint(3, 90)
                    counted = {"part": chance.randint(0, whole), "whole": whole}
                if trait.key == "pin_test":
                    counted |= {"method": chance.choice(["pin", "frozen"]), "hours": chance.choice([None, 8, 12, 24])}
                ScoreFactory(
                    colony=colony,
                    queen=queen,
                    trait=trait,
                    scored_on=dt.date(2024 + visit % 2, 5, 1) + dt.timedelta(days=visit),
                    value=Decimal(chance.randint(2, 8) // 2 * 2 if trait.key == "swarming" else chance.randint(2, 8))
                    / 2,
                    recorded_at=NOW,
                    **counted,
                )
    return traits


@pytest.mark.parametrize("seed", range(6))
def test_arrays_hold_what_the_decimals_give(seed: int) -> None:
    traits = _scored(seed)
    found = season_arrays(traits)
    usual = {
        (result.queen_id, result.year, result.trait_key, result.method): float(result.value)
        for result in season_results(Score.objects.all())
    }
    seen = 0
    for row, queen in enumerate(found.queen.tolist()):
        for column, key in enumerate(found.trait_keys):
            value = found.values[row, column]
            if np.isnan(value):
                continue
            seen += 1
            candidates = {m: v for (q, y, k, m), v in usual.items() if (q, y, k) == (queen, found.year[row], key)}
            assert value in candidates.values()
    assert seen > 20
    assert found.n_scores == Score.objects.count()


def test_of_two_methods_in_an_apiary_and_year_the_frequent_one_counts() -> None:
    member = MemberFactory()
    pin = next(t for t in traits_make(member.cooperative, by=None, now=NOW) if t.key == "pin_test")
    apiary = ApiaryFactory(member=member)
    for number, method in enumerate(["frozen", "pin", "pin"]):
        ScoreFactory(
            colony=ColonyFactory(apiary=apiary), queen=QueenFactory(owner=member), trait=pin, method=method,
            part=10 + number, whole=40, value=0, scored_on=dt.date(2025, 6, 1), recorded_at=NOW,
        )  # fmt: skip
    found = season_arrays([pin])
    assert (found.n_scores, found.n_left_out) == (3, 1)
    assert found.values[:, 0].tolist() == [27.5, 30.0]


def test_corrected_and_withdrawn_scores_and_days_outside_the_period_take_no_part() -> None:
    member = MemberFactory()
    honey = next(t for t in traits_make(member.cooperative, by=None, now=NOW) if t.key == "honey_yield")
    colony, queen = ColonyFactory(apiary=ApiaryFactory(member=member)), QueenFactory(owner=member)

    def scored(day: dt.date, value: str, **more: object) -> Score:
        return ScoreFactory(
            colony=colony, queen=queen, trait=honey, scored_on=day, value=Decimal(value), recorded_at=NOW, **more
        )

    kept = scored(dt.date(2025, 6, 1), "10.1")
    scored(dt.date(2025, 6, 2), "99", replaced_by=kept)
    scored(dt.date(2025, 6, 3), "99", withdrawn_at=NOW)
    scored(dt.date(2025, 7, 1), "0.2")
    scored(dt.date(2024, 7, 1), "5")
    assert season_arrays([honey]).values[:, 0].tolist() == [5.0, 10.3]
    only = season_arrays([honey], first_day=dt.date(2025, 6, 1), last_day=dt.date(2025, 6, 30))
    assert only.values[:, 0].tolist() == [10.1]
    assert only.only(np.array([False])).values.shape == (0, 1)


def test_a_cooperative_without_scores_gives_empty_arrays() -> None:
    traits = traits_make(CooperativeFactory(), by=None, now=NOW)
    found = season_arrays(traits)
    assert (len(found), found.values.shape) == (0, (0, len(traits)))
