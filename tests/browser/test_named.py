"""A thing is named where there are too many to scroll to it."""

import pytest
from playwright.sync_api import expect

from accounts.forms.named import FEW
from breeding.models import Colony
from tests.browser.conftest import Open
from tests.browser.world import JourneyWorld
from tests.factories import ApiaryFactory

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
LEAST_PX = 44


def test_names_that_fit_are_offered_and_what_several_are_called_is_asked_back(world: JourneyWorld, seat: Open) -> None:
    keeper = world.keepers[0]
    member = world.members[0]
    for number in range(FEW):
        ApiaryFactory(member=member, name=f"Row {number:02}")
    heath, heath_end = (ApiaryFactory(member=member, name=name) for name in ("Long heath", "Long heath end"))
    one = seat(keeper.email)
    page = one.page
    page.set_viewport_size({"width": 390, "height": 844})
    one.goto("breeding:colony_add")
    field = page.locator("main input[name=apiary]")
    box = field.bounding_box()
    assert box is not None
    assert box["height"] >= LEAST_PX

    offered = page.locator(f"datalist#{field.get_attribute('list')} option")
    field.press_sequentially("heath")
    expect(offered).to_have_count(2)
    assert {option.get_attribute("value") for option in offered.all()} == {
        f"{heath.name}, {member.name}",
        f"{heath_end.name}, {member.name}",
    }

    one.fill(name="H 1")
    one.send()
    asked = page.locator("main select[name=apiary]")
    expect(asked.locator("option")).to_have_count(3)  # both of them, and to write another name
    one.sees("Choose one of them.")
    expect(page.locator("main [name=name]")).to_have_value("H 1")
    asked.select_option(label=f"{heath_end.name}, {member.name}")
    one.send()
    expect(page.locator("h1")).to_contain_text("H 1")
    assert Colony.objects.get(name="H 1").apiary == heath_end
    assert one.said == []


def test_without_an_answer_part_of_a_name_serves(world: JourneyWorld, seat: Open) -> None:
    member = world.members[0]
    for number in range(FEW):
        ApiaryFactory(member=member, name=f"Row {number:02}")
    mill = ApiaryFactory(member=member, name="Old mill")
    one = seat(world.keepers[0].email)
    one.page.route("**/search/names/**", lambda route: route.abort())
    one.goto("breeding:colony_add")
    one.fill(apiary="mill", name="H 2")
    one.send()
    expect(one.page.locator("h1")).to_contain_text("H 2")
    assert Colony.objects.get(name="H 2").apiary == mill
