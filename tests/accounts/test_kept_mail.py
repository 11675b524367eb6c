"""Who reads which of the mails that are kept here instead of being sent."""

import pytest

from accounts.access import viewer_of
from accounts.models import KeptMail
from accounts.queries.mail import mails_seen_by
from tests.accounts.conftest import PEOPLE, House
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def mails(house: House) -> None:
    """One to everybody, in other letters than the person's own, and one to an address that is nobody's."""
    for who in PEOPLE:
        to = house[who].email.upper() if who in house.people else "a-buyer@example.org"
        KeptMail.objects.create(to=to, subject=who, text="Come and see.", message_id=who, sent_at=NOW)


def read_by(house: House, who: str) -> set[str]:
    viewer = viewer_of(house[who], house.cooperative.pk)
    assert viewer is not None
    return set(mails_seen_by(viewer).values_list("subject", flat=True))


@pytest.mark.parametrize("who", ["owner", "breeder", "coordinator"])
def test_everybody_reads_what_came_to_the_own_address(house: House, who: str) -> None:
    assert read_by(house, who) == {who}


def test_in_a_practice_cooperative_its_coordinator_reads_what_came_to_its_people(house: House) -> None:
    house.cooperative.is_practice = True
    house.cooperative.save()
    assert read_by(house, "coordinator") == {"owner", "colleague", "stranger", "coordinator", "breeder"}
    assert read_by(house, "owner") == {"owner"}
