"""The search from the keyboard."""

import pytest
from playwright.sync_api import expect

from breeding.models import Queen
from tests.browser.conftest import Open
from tests.browser.world import JourneyWorld

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_slash_key_opens_the_search_and_enter_finds(world: JourneyWorld, seat: Open) -> None:
    queen = Queen.objects.order_by("label").first()
    assert queen is not None
    one = seat("member1@example.org")
    one.goto("accounts:more")
    page, lens = one.page, one.page.locator("#lens")
    page.keyboard.press("/")
    expect(lens).to_be_focused()
    page.keyboard.type(queen.label)
    page.keyboard.press("Enter")
    page.wait_for_url("**/search/?q=*")
    expect(page.locator("main .section").first).to_contain_text("Exactly")
    page.keyboard.press("/")
    expect(page.locator("main #search")).to_be_focused()
    expect(page.locator("main #search")).to_have_value(queen.label)
    page.go_back()
    page.wait_for_url("**/more/")
    page.locator("[data-lens] summary").click()
    expect(lens).to_be_focused()
    page.keyboard.press("Escape")
    expect(lens).to_be_hidden()
    assert one.said == []
