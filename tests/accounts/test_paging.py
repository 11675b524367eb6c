"""Long lists are not counted to their end, and still every page of them is reached."""

import pytest
from django.template.loader import render_to_string
from django.test import RequestFactory

from accounts import paging
from accounts.models import Member
from accounts.paging import LongPaginator
from tests.factories import CooperativeFactory, MemberFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def members() -> list[Member]:
    cooperative = CooperativeFactory()
    return [MemberFactory(cooperative=cooperative, name=f"Member {number}") for number in range(7)]


@pytest.mark.parametrize("most", [3, 7])
def test_pages_follow_each_other_to_the_last(members: list[Member], monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(paging, "MOST_COUNTED", most)
    paginator = LongPaginator(Member.objects.order_by("name"), 3)
    pages = [paginator.get_page(number) for number in (1, "2", 3)]
    assert [[row.name[-1] for row in page.object_list] for page in pages] == [["0", "1", "2"], ["3", "4", "5"], ["6"]]
    assert [page.has_next() for page in pages] == [True, True, False]
    assert [page.has_previous() for page in pages] == [False, True, True]
    assert [page.end_index() for page in pages] == [3, 6, 7]
    assert paginator.is_more is (most < 7)
    assert paginator.count == min(most, 7)


@pytest.mark.parametrize("number", ["0", "-1", "nonsense", "", None, "9" * 30])
def test_an_address_of_no_page_shows_the_first(
    members: list[Member], monkeypatch: pytest.MonkeyPatch, number: str | None
) -> None:
    monkeypatch.setattr(paging, "MOST_COUNTED", 3)
    page = LongPaginator(Member.objects.order_by("name"), 3).get_page(number)
    assert (page.number, page.object_list) == (1, members[:3])


def test_a_page_beyond_the_last_shows_the_first(members: list[Member], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paging, "MOST_COUNTED", 3)
    assert LongPaginator(Member.objects.order_by("name"), 3).get_page(4).object_list == members[:3]


def test_the_pager_says_more_than(members: list[Member], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paging, "MOST_COUNTED", 5)
    page = LongPaginator(Member.objects.order_by("name"), 3).get_page(2)
    shown = render_to_string("parts/pager.html", {"page": page}, RequestFactory().get("/"))
    assert "4 to 6 of more than 5" in shown
    assert 'href="?page=3"' in shown
