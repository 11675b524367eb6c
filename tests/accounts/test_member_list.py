"""The lists of members and of apiaries go on for pages: the head counts all of them."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Apiary, Member
from accounts.views.apiaries import APIARIES_A_PAGE
from accounts.views.people import MEMBERS_A_PAGE
from tests.accounts.conftest import House
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_a_long_list_of_members_goes_on_on_the_next_page_and_those_who_left_come_last(house: House) -> None:
    Member.objects.bulk_create(Member(cooperative=house.cooperative, name=f"M {n:03}") for n in range(MEMBERS_A_PAGE))
    Member.objects.create(cooperative=house.cooperative, name="A gone one", left_on=NOW.date())
    members = Member.objects.filter(cooperative=house.cooperative)
    client = Client()
    client.force_login(house["coordinator"])
    pages = [client.get(reverse("accounts:members"), {"page": page}).content.decode() for page in (1, 2)]
    names = [re.findall(r'<h3><a href="/members/\d+/">(.+?)</a>', page) for page in pages]
    assert len(names[0]) == MEMBERS_A_PAGE
    there = sorted(members.filter(left_on=None).values_list("name", flat=True))
    assert names[0] + names[1] == [*there, "A gone one"]
    for page in pages:
        assert f"<h1>{len(there)} members</h1>" in page


def test_a_long_list_of_apiaries_goes_on_on_the_next_page_and_closed_ones_come_last(house: House) -> None:
    Apiary.objects.bulk_create(Apiary(member=house.neighbour, name=f"A {n:03}") for n in range(APIARIES_A_PAGE))
    Apiary.objects.create(member=house.member, name="A closed one", closed_on=NOW.date())
    client = Client()
    client.force_login(house["coordinator"])
    pages = [client.get(reverse("accounts:apiaries"), {"page": page}).content.decode() for page in (1, 2)]
    names = [re.findall(r'<h3><a href="/apiaries/\d+/">(.+?)</a>', page) for page in pages]
    there = Apiary.objects.filter(member__cooperative=house.cooperative, closed_on=None)
    assert len(names[0]) == APIARIES_A_PAGE
    assert names[0] + names[1] == [
        *there.order_by("member__name", "name").values_list("name", flat=True),
        "A closed one",
    ]
    for page in pages:
        assert f"<h1>{there.count()} open apiaries</h1>" in page
