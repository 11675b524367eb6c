"""A thing named in a form: a list while there are few, its name where there are many."""

from typing import Any

import pytest
from django import forms
from django.test import Client
from django.urls import reverse

from accounts.forms import named as module
from accounts.forms.named import MEMBERS, NamedField
from accounts.models import Apiary, Member
from breeding.forms.fields import APIARIES
from breeding.models import Colony
from tests.accounts.conftest import House
from tests.factories import ApiaryFactory, MemberFactory

pytestmark = pytest.mark.django_db

NAMES = ["Alder", "Rowan", "Rowan West", "Sorrel"]


@pytest.fixture
def members(house: House) -> list[Member]:
    return [MemberFactory(cooperative=house.cooperative, name=name) for name in NAMES]


@pytest.fixture
def many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "FEW", 3)


def form_of(data: dict[str, Any] | None = None, *, required: bool = True, **initial: Any) -> forms.Form:
    class One(forms.Form):
        member = NamedField(Member.objects.filter(name__in=NAMES), named=MEMBERS, required=required)

    return One(data, initial=initial)


def test_few_are_a_list_as_ever(members: list[Member]) -> None:
    form = form_of({"member": str(members[1].pk)})
    assert str(form["member"]).count("<option") == 5
    assert form.is_valid()
    assert form.cleaned_data["member"] == members[1]


def test_many_are_named(members: list[Member], many: None) -> None:
    shown = str(form_of(member=members[3].pk)["member"])
    assert "<select" not in shown
    assert 'value="Sorrel"' in shown
    assert 'list="id_member-names"' in shown
    assert '<datalist id="id_member-names"></datalist>' in shown
    assert f'data-named="{reverse("scheduling:names", args=["member"])}"' in shown


@pytest.mark.parametrize(("most", "is_list"), [(3, False), (4, True)])
def test_few_among_many_are_named_without_looking_for_them(
    members: list[Member], monkeypatch: pytest.MonkeyPatch, most: int, is_list: bool
) -> None:
    monkeypatch.setattr(module, "MANY", most)

    class One(forms.Form):
        member = NamedField(
            Member.objects.filter(name="Sorrel"), named=MEMBERS, among=Member.objects.filter(name__in=NAMES)
        )

    assert ("<select" in str(One()["member"])) is is_list
    form = One({"member": str(members[3].pk) if is_list else "sorr"})
    assert form.is_valid()
    assert form.cleaned_data["member"] == members[3]
    assert One({"member": "Alder"}).is_valid() is False


@pytest.mark.parametrize(
    ("written", "expected"), [("sorrel", 3), (" Rowan ", 1), ("rowan w", 2), ("ALD", 0), ("Rowan  West", 2)]
)
def test_a_name_or_a_part_that_only_one_has_is_enough(
    members: list[Member], many: None, written: str, expected: int
) -> None:
    form = form_of({"member": written})
    assert form.is_valid()
    assert form.cleaned_data["member"] == members[expected]


def test_several_are_a_list_of_those_and_one_of_it_is_taken(members: list[Member], many: None) -> None:
    form = form_of({"member": "row"})
    assert form.errors == {"member": ["2 fit “row”. Choose one of them."]}
    shown = str(form["member"])
    keys = [f'value="#{member.pk}"' in shown for member in members]
    assert keys == [False, True, True, False]
    chosen = form_of({"member": f"#{members[2].pk}"})
    assert chosen.is_valid()
    assert chosen.cleaned_data["member"] == members[2]
    assert 'value="Rowan West"' in str(chosen["member"])


def test_none_and_too_many_say_what_to_do(members: list[Member], many: None) -> None:
    nothing = form_of({"member": "Thistle"})
    assert nothing.errors == {"member": ["Nothing here is called “Thistle”. Check the name, or write less of it."]}
    assert 'value="Thistle"' in str(nothing["member"])
    assert form_of({"member": "r"}).errors == {"member": ["More than 3 fit “r”. Write more of the name."]}


def test_a_bare_number_is_a_name_not_a_key(members: list[Member], many: None) -> None:
    assert not form_of({"member": str(members[0].pk)}).is_valid()


def test_nothing_written_is_nobody_where_that_is_allowed(members: list[Member], many: None) -> None:
    assert form_of({"member": ""}).errors == {"member": ["This field is required."]}
    form = form_of({"member": " "}, required=False)
    assert form.is_valid()
    assert form.cleaned_data["member"] is None


def test_what_is_not_to_be_chosen_is_not_found(members: list[Member], monkeypatch: pytest.MonkeyPatch) -> None:
    class Few(forms.Form):
        member = NamedField(Member.objects.filter(name__in=NAMES).exclude(pk=members[3].pk), named=MEMBERS)

    monkeypatch.setattr(module, "FEW", 2)
    assert Few({"member": "Sorrel"}).errors
    assert Few({"member": f"#{members[3].pk}"}).errors


def test_apiaries_of_one_name_are_told_apart_by_their_member(
    members: list[Member], house: House, many: None, client: Client
) -> None:
    homes: list[Apiary] = [ApiaryFactory(member=member, name="Home") for member in members]
    client.force_login(house["coordinator"])
    address = reverse("breeding:colony_add")
    assert 'value="Home, Rowan"' in client.get(f"{address}?apiary={homes[1].pk}").content.decode()
    answer = client.post(address, {"apiary": "Home", "name": "7"})
    assert "More than 3 fit “Home”" in answer.content.decode()
    answer = client.post(address, {"apiary": "Home, Row", "name": "7"})
    assert "2 fit “Home, Row”" in answer.content.decode()
    assert client.post(address, {"apiary": "home, rowan", "name": "7"}).status_code == 302
    assert Colony.objects.get(name="7").apiary == homes[1]
    assert APIARIES.words(homes[1]) == "Home, Rowan"


def test_names_are_offered_of_what_one_may_name(house: House, members: list[Member], client: Client) -> None:
    def offered(kind: str, words: str) -> Any:
        return client.get(reverse("scheduling:names", args=[kind]), {"q": words}).json()

    MemberFactory(name="Rowan Elsewhere")
    client.force_login(house["coordinator"])
    assert offered("member", "row") == {"names": ["Rowan", "Rowan West"]}
    assert offered("member", " ") == {"names": []}
    assert client.get(reverse("scheduling:names", args=["lot"])).status_code == 404
    assert client.get(reverse("scheduling:names", args=["person"])).status_code == 200
    client.force_login(house["breeder"])
    assert client.get(reverse("scheduling:names", args=["person"])).status_code == 404
    assert offered("member", "row") == {"names": []}
