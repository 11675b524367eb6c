"""The coordinator's list of requests: a page at a time, counted as a whole."""

from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories import BookingFactory
from tests.scheduling.world import NOW, make_world

pytestmark = pytest.mark.django_db


def test_requests_go_by_the_page_and_all_that_wait_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduling.views.requests.ROWS_PER_PAGE", 2)
    world = make_world()
    asked = [BookingFactory(batch=world.batch(virgins=4, name=f"Rowan {n}"), queens=n, asked_at=NOW) for n in (1, 2, 3)]
    BookingFactory(batch=asked[0].batch, queens=1, asked_at=NOW, state="withdrawn")
    client = Client()
    client.force_login(world.coordinator())
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        first, second = (client.get(reverse("scheduling:requests"), {"page": page}).context for page in (1, 2))
        table = client.get(reverse("scheduling:requests_csv"), {"page": "2", "file": "json"}).json()
    assert [row.booking for row in first["rows"]] == asked[:2]
    assert [row.booking.state for row in second["rows"]] == ["asked", "withdrawn"]
    assert first["finding"] == second["finding"] == "6 queens wait for a place"
    at = [table["columns"].index(name) for name in ("batch", "queens", "state")]
    assert table["table"] == "requests"
    assert [[row[place] for place in at] for row in table["rows"]] == [
        ["Rowan 1", 1, "asked"], ["Rowan 2", 2, "asked"], ["Rowan 3", 3, "asked"], ["Rowan 1", 1, "withdrawn"],
    ]  # fmt: skip
