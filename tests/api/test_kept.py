"""Serializers that serve many requests, and lists that everybody sees: nothing of one request reaches another."""

from types import SimpleNamespace
from typing import Any

import pytest
from django.db.models import QuerySet
from rest_framework import serializers

from accounts.access import Viewer
from accounts.api import fields as f
from accounts.api.kept import given_to, shown_by
from accounts.models import Apiary
from tests.api.conftest import House
from tests.factories import ApiaryFactory, CooperativeFactory, MemberFactory


class Named(f.Given):
    name = f.Text(max_length=5)
    who = serializers.SerializerMethodField()

    def get_who(self, _thing: Any) -> Any:
        return self.context.get("who")


def test_what_was_said_and_who_asked_are_forgotten() -> None:
    assert given_to(Named, {"name": "Fell"}, {"who": 1}) == {"name": "Fell"}
    with pytest.raises(serializers.ValidationError):
        given_to(Named, {"name": "too long"}, {"who": 1})
    with pytest.raises(serializers.ValidationError) as refused:
        given_to(Named, {}, {})
    assert set(refused.value.detail) == {"name"}
    assert given_to(Named, {}, {}, partial=True) == {}
    thing = SimpleNamespace(name="Fell")
    assert [shown_by(Named, thing, context)["who"] for context in ({"who": 1}, {}, {"who": 2})] == [1, None, 2]


def asked(house: House, field: f.Thing, who: str, pk: int) -> Any:
    people = house.people
    members = frozenset({house.member.pk}) if who == "member" else frozenset[int]()
    viewer = Viewer(people[who], house.cooperative, frozenset(), members)
    field._context = {"view": SimpleNamespace(viewer=viewer)}  # type: ignore[attr-defined]
    return field.run_validation(pk)


@pytest.mark.django_db
def test_a_list_that_is_open_to_all_is_that_of_the_cooperative(house: House) -> None:
    def of_all(viewer: Viewer) -> QuerySet[Apiary]:
        return Apiary.objects.filter(member__cooperative=viewer.cooperative).select_related("member")

    field, here = f.Thing(of_all, open_to_all=True), ApiaryFactory(member=house.member)
    elsewhere = ApiaryFactory(member=MemberFactory(cooperative=CooperativeFactory()))
    assert asked(house, field, "nobody", here.pk) == here
    for pk in (elsewhere.pk, 0, -1, 2**40, 2**70):
        with pytest.raises(serializers.ValidationError, match="There is none"):
            asked(house, field, "member", pk)


@pytest.mark.django_db
def test_a_list_that_is_not_open_to_all_cannot_be_called_so(house: House) -> None:
    def of_ones_own(viewer: Viewer) -> QuerySet[Apiary]:
        return Apiary.objects.filter(member__in=viewer.member_ids)

    apiary = ApiaryFactory(member=house.member)
    assert asked(house, f.Thing(of_ones_own), "member", apiary.pk) == apiary
    with pytest.raises(AttributeError, match="member_ids"):
        asked(house, f.Thing(of_ones_own, open_to_all=True), "member", apiary.pk)
