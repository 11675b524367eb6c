"""A breeder makes two rows of one queen one, and takes it back, on a phone and on a desk."""

import pytest

from breeding.models import Queen
from tests.browser.conftest import Open
from tests.browser.world import JourneyWorld

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.mark.parametrize("width", [390, 1280])
def test_two_rows_are_made_one_and_taken_apart_by_the_toast(world: JourneyWorld, seat: Open, width: int) -> None:
    kept = world.mated_queens(world.members[0])[0]
    twin = Queen.objects.create(
        cooperative=kept.cooperative, owner=kept.owner, label=f"{kept.label}.", mark_number="77", note="From a list"
    )
    one = seat("breeder@example.org", width=width)
    one.goto("breeding:duplicates")
    one.page.get_by_role("link", name=f"Compare {kept.label}").click()
    assert one.page.evaluate(OVERFLOW) == 0
    one.fill(mark_number="other")
    one.press("They are one queen")
    one.page.get_by_text("are one queen now").wait_for()
    assert Queen.objects.get(pk=kept.pk).mark_number == "77"
    assert not Queen.objects.filter(pk=twin.pk).exists()
    one.page.get_by_role("button", name="Undo").click()
    one.page.get_by_text("is a queen of her own again").wait_for()
    assert Queen.objects.get(pk=twin.pk).note == "From a list"
    assert one.said == []
