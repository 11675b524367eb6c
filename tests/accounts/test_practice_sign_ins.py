import pytest

from accounts.models import Role, RoleGrant
from accounts.practice import SignIn, practice_sign_ins
from tests.factories import CooperativeFactory, MemberFactory, MemberPersonFactory, PersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db


def test_without_a_practice_cooperative_there_are_none() -> None:
    RoleGrantFactory()
    MemberPersonFactory()
    assert practice_sign_ins() == []


def test_each_role_is_shown_by_somebody_who_has_it_alone() -> None:
    practice = CooperativeFactory(is_practice=True)
    elsewhere: RoleGrant = RoleGrantFactory.create(role=Role.BREEDER)
    both = PersonFactory(email="both@example.org")
    gone = PersonFactory(email="gone@example.org", is_active=False)
    for role in Role:
        RoleGrantFactory(person=both, cooperative=practice, role=role)
        RoleGrantFactory(person=gone, cooperative=practice, role=role)
    RoleGrantFactory(person=PersonFactory(email="bench@example.org"), cooperative=practice, role=Role.OPERATOR)
    member = MemberFactory(cooperative=practice)
    for person in (both, gone, PersonFactory(email="member@example.org")):
        MemberPersonFactory(member=member, person=person)
    signs = practice_sign_ins()
    assert signs == [
        SignIn("Member", "member@example.org"),
        SignIn("Coordinator", "both@example.org"),
        SignIn("Breeder", "both@example.org"),
        SignIn("Bench operator", "bench@example.org"),
    ]
    assert elsewhere.person.email not in {sign.email for sign in signs}
