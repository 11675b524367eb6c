"""The cooperative's traits and their weights."""

from decimal import Decimal

import pytest

from accounts.catalogues import collected
from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding import scoring
from breeding.models import Trait
from breeding.services.traits import STARTS, trait_weights_set, traits_make
from tests.factories import NOW, CooperativeFactory, PersonFactory

pytestmark = pytest.mark.django_db


def test_the_published_traits_are_made_once_and_their_weights_sum_to_one() -> None:
    cooperative = CooperativeFactory()
    for _ in range(2):
        traits = traits_make(cooperative, by=PersonFactory(), now=NOW)
    assert [trait.key for trait in traits] == list(STARTS)
    assert set(STARTS) == set(scoring.TRAITS)
    assert sum(trait.merit_weight for trait in traits) == 1
    assert {trait.key: (trait.unit, trait.season_rule) for trait in traits} == {
        key: (published.unit, published.rule.value) for key, published in scoring.TRAITS.items()
    }
    assert AuditEntry.objects.filter(action="trait.make").count() == len(STARTS)


def test_all_that_a_trait_says_is_collected_for_the_translators() -> None:
    known = {message.id for message in collected()}
    for trait in scoring.TRAITS.values():
        said = {trait.name, trait.unit, trait.question, trait.part, trait.whole, *(one.text for one in trait.anchors)}
        assert said - {""} <= known, trait.key


def test_weights_are_changed_only_together_to_one() -> None:
    cooperative = CooperativeFactory()
    traits_make(cooperative, by=None, now=NOW)
    with pytest.raises(Refusal) as refusal:
        trait_weights_set(cooperative, weights={"honey_yield": Decimal("0.5")}, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "weights_sum"
    with pytest.raises(Refusal) as refusal:
        trait_weights_set(cooperative, weights={"speed": Decimal(1)}, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "trait_unknown"
    trait_weights_set(
        cooperative,
        weights={"honey_yield": Decimal("0.25"), "varroa": Decimal("0.10")},
        by=PersonFactory(),
        now=NOW,
    )
    weights = dict(Trait.objects.values_list("key", "merit_weight"))
    assert (weights["honey_yield"], weights["varroa"], sum(weights.values())) == (Decimal("0.25"), Decimal("0.10"), 1)
    assert AuditEntry.objects.filter(action="trait.weight").count() == 2
