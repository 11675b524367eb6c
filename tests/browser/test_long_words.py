"""On a phone, in a made-up language with words 40 % longer than the English: nothing runs out of the page."""

import pytest
from django.urls import reverse

from accounts.models import Person
from tests.browser.conftest import Open
from tests.browser.test_every_page import OVERFLOW, season_begun
from tests.browser.world import JourneyWorld
from tests.words.pseudo import OPENS, pseudo_language

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PAGES = {
    "member1": (
        *("today", "accounts:more", "accounts:settings", "accounts:apiaries", "accounts:mail", "accounts:devices"),
        *("scheduling:lines", "scheduling:book", "scheduling:bookings", "scheduling:batches", "scheduling:batch_add"),
        *("scheduling:sources", "scheduling:reminders", "scheduling:reminder_wishes", "scheduling:feeds"),
        *("scheduling:still", "scheduling:hive_looks", "breeding:stock"),
    ),
    "coordinator": (
        *("today", "accounts:members", "accounts:member_add", "accounts:person_add", "accounts:history"),
        *("accounts:cooperative_language", "scheduling:requests", "scheduling:board", "scheduling:plans"),
        *("scheduling:balance", "scheduling:sessions", "scheduling:session_add", "scheduling:settings"),
        *("scheduling:reminder_watch", "scheduling:outcomes", "breeding:standing", "breeding:crosses"),
        *("breeding:population", "breeding:trend", "breeding:contributions"),
    ),
}


@pytest.mark.parametrize("who", PAGES)
def test_nothing_runs_out_of_a_phone(world: JourneyWorld, seat: Open, who: str) -> None:
    season_begun(world)
    Person.objects.update(language="de")
    wrong, seen = [], 0
    with pseudo_language():
        one = seat(f"{who}@example.org", width=390)
        for name in PAGES[who]:
            status = one.goto_path(reverse(name))
            too_wide = one.page.evaluate(OVERFLOW)
            seen += OPENS in one.page.locator("h1").inner_text()
            if status != 200 or too_wide > 0:
                wrong.append((name, status, too_wide))
    assert wrong == []
    assert seen > len(PAGES[who]) // 2
