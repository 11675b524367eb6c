"""What was filled in and not sent: there again at the next visit, gone once the server has it, for its person alone."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from accounts.models import Apiary
from breeding.models import Queen
from tests.browser.conftest import Open
from tests.browser.seat import Seat
from tests.browser.world import JourneyWorld

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

MIREL, JONTE = "member1@example.org", "member2@example.org"
FORM = "breeding:queen_add"


def filled_in(seat: Open) -> Seat:
    mirel = seat(MIREL)
    mirel.goto(FORM)
    mirel.fill(label="Alder 9", birth_year=2025, note="Bought in spring")
    return mirel


def shown(one: Seat) -> dict[str, str]:
    return {name: one.page.locator(f"main [name={name}]").input_value() for name in ("label", "note")}


def sees_note(one: Seat) -> None:
    expect(one.page.locator("[data-kept-note]").first).to_be_visible()


def sees_no_note(one: Seat) -> None:
    expect(one.page.locator("[data-kept-note]").first).to_be_hidden()


def test_after_a_wrong_tap_or_a_reload_it_is_there_again(world: JourneyWorld, seat: Open) -> None:
    mirel = filled_in(seat)
    sees_no_note(mirel)
    mirel.goto("today")
    mirel.goto(FORM)
    sees_note(mirel)
    assert shown(mirel) == {"label": "Alder 9", "note": "Bought in spring"}
    mirel.page.reload()
    sees_note(mirel)
    mirel.press("Start anew")
    sees_no_note(mirel)
    assert shown(mirel) == {"label": "", "note": ""}
    mirel.page.reload()
    assert shown(mirel) == {"label": "", "note": ""}


def test_a_form_that_never_reached_the_server_is_there_again(world: JourneyWorld, seat: Open) -> None:
    mirel = filled_in(seat)
    mirel.page.context.set_offline(True)
    mirel.send()
    mirel.page.wait_for_url("chrome-error://**")
    mirel.page.context.set_offline(False)
    mirel.goto(FORM)
    sees_note(mirel)
    assert shown(mirel)["label"] == "Alder 9"
    mirel.send()
    mirel.sees_heading("Alder 9")
    mirel.goto(FORM)
    sees_no_note(mirel)
    assert shown(mirel) == {"label": "", "note": ""}
    assert Queen.objects.filter(label="Alder 9").count() == 1


def test_what_was_refused_stays_until_it_is_taken(world: JourneyWorld, seat: Open) -> None:
    mirel = filled_in(seat)
    mirel.fill(mother="Nobody-1")
    mirel.send()
    mirel.sees("There is no queen Nobody-1")
    mirel.goto("today")
    mirel.goto(FORM)
    sees_note(mirel)
    assert shown(mirel)["label"] == "Alder 9"
    mirel.fill(mother="")
    mirel.send()
    mirel.sees_heading("Alder 9")
    mirel.goto(FORM)
    sees_no_note(mirel)


def test_what_stands_otherwise_by_now_is_not_written_over(world: JourneyWorld, seat: Open) -> None:
    apiary = Apiary.objects.filter(member=world.members[0]).earliest("pk")
    mirel = seat(MIREL)
    mirel.goto("accounts:apiary", apiary.pk)
    mirel.fill(name="Upper orchard")
    mirel.goto("today")
    Apiary.objects.filter(pk=apiary.pk).update(name="Lower orchard")
    mirel.goto("accounts:apiary", apiary.pk)
    sees_no_note(mirel)
    assert mirel.page.locator("main [name=name]").input_value() == "Lower orchard"


def test_who_signs_out_leaves_nothing_and_another_person_sees_nothing(world: JourneyWorld, seat: Open) -> None:
    mirel = filled_in(seat)
    mirel.page.context.clear_cookies()
    mirel.sign_in(JONTE)
    mirel.goto(FORM)
    sees_no_note(mirel)
    assert shown(mirel)["label"] == ""
    mirel.page.context.clear_cookies()
    mirel.sign_in(MIREL)
    mirel.goto(FORM)
    sees_note(mirel)
    mirel.page.locator("form[data-sign-out]").evaluate("one => one.requestSubmit()")
    mirel.page.wait_for_url(f"**{reverse('accounts:sign_in')}**")
    kept = mirel.page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('filled:'))")
    assert kept == []
