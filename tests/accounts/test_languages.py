"""In which language somebody reads: their own, else what the browser asks for, else the cooperative's."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import dates, translation

from accounts.catalogues import collected
from accounts.languages import language_of
from accounts.models import AuditEntry
from accounts.services.languages import cooperative_language_set
from accounts.services.people import person_add
from accounts.templatetags.broodtide import day_month, short_day
from accounts.told import Told
from tests.accounts.conftest import House
from tests.factories import NOW, PASSWORD

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("house")]

SIGN_IN = "/sign-in/"


def lang_of(client: Client, address: str, **headers: str) -> str:
    page = client.get(address, headers=headers).content.decode()
    return page.partition('<html lang="')[2].partition('"')[0]


@pytest.mark.parametrize(
    ("asked", "language"),
    [("", "en-gb"), ("de-AT,de;q=0.9,en;q=0.5", "de"), ("pl,fr;q=0.7", "fr"), ("en-US", "en-gb"), ("pl", "en-gb")],
)
def test_a_visitor_reads_what_the_browser_asks_for(client: Client, asked: str, language: str) -> None:
    assert lang_of(client, SIGN_IN, **{"Accept-Language": asked}) == language


def test_a_visitor_chooses_at_the_foot_of_the_page_and_stays_there(client: Client) -> None:
    assert b'<button class="link" name="language" value="es" lang="es"' in client.get(SIGN_IN).content
    answer = client.post(reverse("accounts:language"), {"language": "es", "next": SIGN_IN})
    assert (answer.status_code, answer["Location"]) == (302, SIGN_IN)
    assert lang_of(client, SIGN_IN, **{"Accept-Language": "de"}) == "es"


def test_a_language_that_there_is_not_changes_nothing_and_leads_nowhere_else(client: Client) -> None:
    answer = client.post(reverse("accounts:language"), {"language": "xx", "next": "https://elsewhere.example/"})
    assert (answer["Location"], dict(answer.cookies)) == ("/", {})


def test_the_first_signing_in_keeps_the_language_and_later_ones_leave_it(house: House, client: Client) -> None:
    owner = house["owner"]
    for asked in ("fr-FR", "de"):
        client.post(SIGN_IN, {"email": owner.email, "password": PASSWORD}, headers={"Accept-Language": asked})
        client.post(reverse("accounts:sign_out"))
    owner.refresh_from_db()
    assert owner.language == "fr"
    entry = AuditEntry.objects.get(subject_type="accounts.person", subject_id=owner.pk, action="person.change")
    assert (entry.before, entry.after) == ({"language": ""}, {"language": "fr"})


def test_a_browser_that_asks_for_nothing_of_ours_chooses_nothing(house: House, client: Client) -> None:
    owner = house["owner"]
    client.post(SIGN_IN, {"email": owner.email, "password": PASSWORD}, headers={"Accept-Language": "pl,*"})
    owner.refresh_from_db()
    assert owner.language == ""


def test_what_a_person_chose_wins_over_the_browser_on_pages_and_where_nothing_is(house: House, client: Client) -> None:
    owner = house["owner"]
    client.force_login(owner)
    fields = {"name": owner.name, "phone": "", "time_zone": "", "language": "de"}
    assert client.post(reverse("accounts:settings"), fields).status_code == 302
    for address in (reverse("accounts:settings"), "/no/such/page/"):
        assert lang_of(client, address, **{"Accept-Language": "es"}) == "de"


def test_a_new_person_is_written_to_in_the_language_of_the_cooperative(
    house: House, django_capture_on_commit_callbacks: object
) -> None:
    cooperative = house.member.cooperative
    cooperative_language_set(cooperative, language="fr", by=house["coordinator"], now=NOW)
    cooperative.refresh_from_db()
    added = person_add(
        cooperative, name="New", email="new@example.org", member=house.member, by=house["coordinator"], now=NOW
    )
    assert (language_of(added.person, cooperative), translation.get_language()) == ("fr", "en-gb")
    added.person.language = "es"
    assert language_of(added.person, cooperative) == "es"


def test_the_language_of_the_cooperative_is_set_once_with_its_row_in_the_history(house: House) -> None:
    coordinator, cooperative = house["coordinator"], house.member.cooperative
    client = Client()
    client.force_login(coordinator)
    for _again in range(2):
        assert client.post(reverse("accounts:cooperative_language"), {"language": "es"}).status_code == 302
    cooperative.refresh_from_db()
    rows = AuditEntry.objects.filter(action="cooperative.language").values_list("before", "after", "by")
    assert (cooperative.language, list(rows)) == (
        "es",
        [({"language": "en-gb"}, {"language": "es"}, coordinator.pk)],
    )


def test_no_message_of_ours_takes_the_place_of_a_day_or_a_month() -> None:
    """Catalogues share one space with Django's: “Sun”, a look of the pages, once stood in every Sunday's date."""
    names = [dates.WEEKDAYS, dates.WEEKDAYS_ABBR, dates.MONTHS, dates.MONTHS_3, dates.MONTHS_AP]
    with translation.override(None):
        taken = {str(word) for words in names for word in words.values()}
    ours = {message.id for message in collected() if not message.context}
    assert "Sun" in taken
    assert not ours & taken


def test_a_german_day_is_written_as_germans_write_it() -> None:
    with translation.override("de"):
        assert short_day(dt.date(2026, 6, 28), dt.date(2026, 6, 1)) == "So 28. Juni"
        assert day_month(dt.date(2026, 6, 28)) == "28. Jun"


def test_german_nouns_keep_their_capital_inside_a_sentence() -> None:
    words = Told("Put the drone comb in", is_inside=True)
    assert str(words) == "put the drone comb in"
    with translation.override("de"):
        assert str(words) == "Drohnenwabe einhängen"
