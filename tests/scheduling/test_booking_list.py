"""The list of requests: a page holds so many, what is over has pages of its own, and the filters stay."""

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Booking, BookingState
from scheduling.views.booking import ROWS_PER_PAGE
from tests.factories import BookingFactory
from tests.scheduling.world import World, make_world

pytestmark = pytest.mark.django_db
LIST = reverse("scheduling:bookings")


@pytest.fixture
def world() -> World:
    world = make_world()
    for state, number in ((BookingState.ASKED, ROWS_PER_PAGE + 2), (BookingState.WITHDRAWN, ROWS_PER_PAGE + 1)):
        BookingFactory.create_batch(number, batch=world.batch(), season=world.season, member=world.member, state=state)
    return world


def shown(client: Client, query: str, which: str) -> list[Booking]:
    return list(client.get(LIST + query).context[which])


def test_open_and_ended_requests_have_pages_of_their_own(world: World, client: Client) -> None:
    client.force_login(world.owner)
    open_ones = shown(client, "", "open") + shown(client, "?page=2", "open")
    over = shown(client, "", "ended") + shown(client, "?ended_page=2", "ended")
    assert len(shown(client, "?page=2", "open")) == 2
    assert len(shown(client, "?page=2&ended_page=2", "ended")) == 1
    assert {booking.pk for booking in open_ones} == set(
        Booking.objects.filter(state=BookingState.ASKED).values_list("pk", flat=True)
    )
    assert {booking.pk for booking in over} == set(
        Booking.objects.filter(state=BookingState.WITHDRAWN).values_list("pk", flat=True)
    )


def test_the_finding_counts_all_and_links_keep_the_rest_of_the_address(world: World, client: Client) -> None:
    client.force_login(world.owner)
    page = client.get(LIST + "?who=all&page=2").content.decode()
    assert f"{ROWS_PER_PAGE + 2} requests are open" in page
    assert 'href="?who=all&amp;page=1"' in page
    assert 'href="?who=all&amp;page=2&amp;ended_page=2"' in page
    assert '<details class="fold" >' in page
    assert '<details class="fold" open>' in client.get(LIST + "?ended_page=2").content.decode()
