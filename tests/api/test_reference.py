"""The page about the API: everything of the description stands on it, and nothing needs a script to be read."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from accounts.views.reference import described

pytestmark = pytest.mark.django_db


def test_every_operation_stands_on_the_page(client_of: Callable[[str], Client]) -> None:
    client, groups = client_of("member"), described()
    page = client.get(reverse("api_reference")).content.decode()
    operations = [one for group in groups.values() for one in group]
    assert len(operations) > 100
    assert f"A program can ask for {len(operations)} things" in page
    assert [one.name for one in operations if f"<code>{one.path}</code>" not in page] == []
    for about, group in groups.items():
        whole = client.get(reverse("api_reference"), {"about": about}).content.decode()
        assert [one.name for one in group if f'data-method="{one.method}" data-path="{one.path}"' not in whole] == []
        assert whole.count("data-api-try") == len(group)


def test_a_body_is_shown_with_its_fields_and_an_example() -> None:
    [one] = [one for one in described()["bookings"] if one.name == "bookings_create"]
    fields = {part.name: part for part in one.body}
    assert {name for name, part in fields.items() if part.is_required} == {"batch", "queens", "sources"}
    assert fields["mode"].choices == ["each", "one", "pool"]
    assert fields["sources"].kind == "[integer]"
    assert one.example == '{\n  "batch": 1,\n  "queens": 1,\n  "sources": []\n}'
    assert ("409", "The state of things is against it: full, done before, in progress.") in one.answers


def test_strangers_are_asked_to_sign_in(client_of: Callable[[str], Client]) -> None:
    assert client_of("anonymous").get(reverse("api_reference")).status_code == 302
