"""A queen's card for a guest: what it shows and never shows, until when, and who ends it."""

import datetime as dt
import re
from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, GuestLink
from accounts.refusals import Refusal
from accounts.services.guest_links import MOST_LINKS, guest_link_end, guest_link_make, guest_link_of
from breeding.models import Queen
from config.logs import without_secrets
from tests.breeding.conftest import Stock
from tests.factories import NOW, PersonFactory

pytestmark = pytest.mark.django_db

KIND = "breeding.queen"
OVER = "This link leads nowhere any more"


def link(stock: Stock, *, now: dt.datetime = NOW, name: str = "Buyer") -> tuple[GuestLink, str]:
    by = PersonFactory()
    return guest_link_make(stock.queen, name=name, days=30, cooperative=stock.cooperative, by=by, now=now)


def test_her_owner_makes_a_link_that_is_shown_once(stock: Stock, client_of: Callable[[str], Client]) -> None:
    owner = client_of("owner")
    page = reverse("breeding:queen_guests", args=[stock.queen.pk])
    shown = owner.post(page, {"name": "For a buyer", "days": "90"}).content.decode()
    found = re.search(r"/card/([\w-]{43})/", shown)
    assert found is not None
    later = owner.get(page).content.decode()
    assert "For a buyer" in later
    assert found[1] not in later
    assert found[1] not in str(list(GuestLink.objects.values()))
    card = Client().get(found[0])
    assert (card.status_code, card["X-Robots-Tag"]) == (200, "noindex, nofollow")
    assert "no-store" in card["Cache-Control"]
    assert stock.queen.label in card.content.decode()
    assert "Last used on" in owner.get(page).content.decode()
    entry = AuditEntry.objects.get(action="guest_link.make")
    assert (entry.subject_type, entry.subject_id, entry.by_name) == (KIND, stock.queen.pk, "owner")


def test_it_shows_no_person_place_or_note(stock: Stock) -> None:
    Queen.objects.filter(pk=stock.queen.pk).update(note="Sold to Mrs Fell", origin="From Mr Holm")
    _made, token = link(stock, now=timezone.now())
    card = Client().get(reverse("breeding:guest_card", args=[token])).content.decode()
    apiary = stock.colony.apiary
    maker = GuestLink.objects.get().made_by
    assert maker is not None
    secret = [apiary.name, apiary.member.name, maker.name, maker.email, "Mrs Fell", "Mr Holm"]
    assert [words for words in secret if words in card] == []
    assert f"/stock/queens/{stock.queen.pk}/" not in card


def test_it_works_for_its_days_and_for_one_queen(stock: Stock) -> None:
    _made, token = link(stock)
    last = NOW + dt.timedelta(days=30)
    assert guest_link_of(token, subject_type=KIND, now=last - dt.timedelta(seconds=1)) is not None
    assert guest_link_of(token, subject_type=KIND, now=last) is None
    assert guest_link_of(token, subject_type="breeding.colony", now=NOW) is None


def test_ended_it_leads_nowhere_at_once_and_ending_twice_is_once(stock: Stock) -> None:
    made, token = link(stock, now=timezone.now())
    for _ in range(2):
        guest_link_end(made, thing=stock.queen, by=PersonFactory(), now=NOW)
    answer = Client().get(reverse("breeding:guest_card", args=[token]))
    assert (answer.status_code, OVER in answer.content.decode()) == (410, True)
    assert AuditEntry.objects.filter(action="guest_link.end").count() == 1


def test_a_made_up_link_leads_nowhere(stock: Stock) -> None:
    link(stock)
    assert Client().get(reverse("breeding:guest_card", args=["x" * 43])).status_code == 410


def test_another_queens_link_is_not_ended_from_here(stock: Stock, client_of: Callable[[str], Client]) -> None:
    made, _token = link(stock)
    other = stock.queen.daughters.first() or Queen.objects.exclude(pk=stock.queen.pk).first()
    other = other or Queen.objects.create(cooperative=stock.cooperative, owner=stock.queen.owner, label="Rowan 99")
    answer = client_of("coordinator").post(reverse("breeding:queen_guest_end", args=[other.pk, made.pk]))
    assert answer.status_code == 404
    assert GuestLink.objects.get().ended_at is None


def test_there_is_an_end_to_the_number_of_links(stock: Stock) -> None:
    for number in range(MOST_LINKS):
        link(stock, name=str(number))
    with pytest.raises(Refusal, match="End one that is not needed"):
        link(stock)


def test_the_log_leaves_the_link_out() -> None:
    assert without_secrets("GET /card/abc/ and /join/abc/") == "GET /card/- and /join/-"
