"""What merit weighs: changed together, by whom it may be, never over somebody else's change."""

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Trait
from breeding.services.traits import trait_weights_set, traits_make, weights_text
from tests.breeding.conftest import Stock
from tests.factories import NOW, CooperativeFactory, PersonFactory

pytestmark = pytest.mark.django_db


def _sent(**changes: str) -> dict[str, str]:
    """The whole form as the page offers it, some cells typed anew; an empty text unticks a box."""
    sent = {"seen": weights_text(list(Trait.objects.all()))}
    for trait in Trait.objects.all():
        sent[trait.key] = str(trait.merit_weight)
        sent[f"{trait.key}-part"] = "on" if trait.in_evaluation else ""
    sent |= {key.replace("__", "-"): value for key, value in changes.items()}
    return {key: value for key, value in sent.items() if value != ""}


def test_a_breeder_weighs_anew_and_the_trait_takes_part(client_of: Callable[[str], Client], stock: Stock) -> None:
    response = client_of("breeder").post(
        reverse("breeding:weights"), _sent(honey_yield="0,25", varroa="0.10", varroa__part="on")
    )
    assert (response.status_code, response["Location"]) == (302, reverse("breeding:weights"))
    honey, varroa = stock.traits["honey_yield"], stock.traits["varroa"]
    honey.refresh_from_db()
    varroa.refresh_from_db()
    assert (honey.merit_weight, varroa.merit_weight, varroa.in_evaluation) == (Decimal("0.25"), Decimal("0.10"), True)
    told = AuditEntry.objects.filter(action__startswith="trait.", action__in=["trait.weight", "trait.takes_part"])
    assert sorted((entry.action, entry.by_name) for entry in told) == [
        ("trait.takes_part", "breeder"),
        ("trait.weight", "breeder"),
        ("trait.weight", "breeder"),
    ]


def test_weights_that_do_not_sum_to_one_are_kept_on_the_page(client_of: Callable[[str], Client], stock: Stock) -> None:
    response = client_of("coordinator").post(reverse("breeding:weights"), _sent(honey_yield="0.5"))
    page = response.content.decode()
    assert response.status_code == 200
    assert "sum up to 1; they sum up to 1.15" in page
    assert 'value="0.5"' in page
    assert Trait.objects.get(key="honey_yield").merit_weight == Decimal("0.35")


@pytest.mark.parametrize("typed", ["much", "-0.1", "1.2", "0.123"])
def test_what_is_no_weight_is_said_beside_its_field(
    client_of: Callable[[str], Client], stock: Stock, typed: str
) -> None:
    response = client_of("coordinator").post(reverse("breeding:weights"), _sent(honey_yield=typed))
    assert response.status_code == 200
    assert list(response.context["form"].errors) == ["honey_yield"]
    assert Trait.objects.get(key="honey_yield").merit_weight == Decimal("0.35")


def test_a_weight_for_a_trait_that_is_to_stay_out_is_refused(client_of: Callable[[str], Client], stock: Stock) -> None:
    response = client_of("coordinator").post(
        reverse("breeding:weights"), _sent(honey_yield="0.25", varroa="0.10", varroa__part="")
    )
    assert "Let it take part" in str(response.context["form"].errors["varroa"])
    assert not Trait.objects.get(key="varroa").in_evaluation


def test_a_change_made_meanwhile_is_not_overwritten(client_of: Callable[[str], Client], stock: Stock) -> None:
    sent = _sent(honey_yield="0.25", varroa="0.10", varroa__part="on")
    trait_weights_set(
        stock.cooperative,
        weights={"honey_yield": Decimal("0.30"), "pin_test": Decimal("0.25")},
        by=PersonFactory(),
        now=NOW,
    )
    response = client_of("breeder").post(reverse("breeding:weights"), sent)
    assert "changed the weights meanwhile" in response.content.decode()
    assert Trait.objects.get(key="honey_yield").merit_weight == Decimal("0.30")


def test_asking_twice_for_the_same_weights_changes_nothing_more(
    client_of: Callable[[str], Client], stock: Stock
) -> None:
    sent = _sent(honey_yield="0.25", varroa="0.10", varroa__part="on")
    client = client_of("breeder")
    client.post(reverse("breeding:weights"), sent)
    before = AuditEntry.objects.count()
    assert client.post(reverse("breeding:weights"), sent).status_code == 302
    assert AuditEntry.objects.count() == before


def test_members_read_the_weights_and_change_none(client_of: Callable[[str], Client], stock: Stock) -> None:
    client = client_of("owner")
    page = client.get(reverse("breeding:weights")).content.decode()
    assert "Honey yield weighs most in the merit" in page
    assert "Weigh like this" not in page
    assert client.post(reverse("breeding:weights"), _sent(honey_yield="0.25")).status_code == 403


def test_a_weight_brings_a_trait_in_when_nobody_said_otherwise() -> None:
    cooperative = CooperativeFactory()
    traits_make(cooperative, by=None, now=NOW)
    weights = {"honey_yield": Decimal("0.25"), "varroa": Decimal("0.10")}
    changed = trait_weights_set(cooperative, weights=weights, by=None, now=NOW)
    assert {trait.key for trait in changed} == {"honey_yield", "varroa"}
    assert Trait.objects.get(cooperative=cooperative, key="varroa").in_evaluation
    assert trait_weights_set(cooperative, weights=weights, by=None, now=NOW) == []


def test_a_trait_may_take_part_without_a_weight_and_leave_again() -> None:
    cooperative = CooperativeFactory()
    traits_make(cooperative, by=None, now=NOW)
    for part in (True, False):
        trait_weights_set(cooperative, weights={}, takes_part={"varroa": part}, by=None, now=NOW)
        assert Trait.objects.get(cooperative=cooperative, key="varroa").in_evaluation is part
    with pytest.raises(Refusal) as refusal:
        trait_weights_set(cooperative, weights={}, takes_part={"speed": True}, by=None, now=NOW)
    assert refusal.value.rule == "trait_unknown"
