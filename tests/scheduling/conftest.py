import pytest

from accounts.models import Person, Role
from tests.factories import (
    CooperativeFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    RoleGrantFactory,
)
from tests.scheduling.world import World, make_world


@pytest.fixture
def world(db: None) -> World:
    return make_world()


@pytest.fixture
def people(db: None) -> dict[str, Person]:
    """One of each sort: a member, somebody else's, the roles, and a coordinator of another cooperative."""
    cooperative = CooperativeFactory()
    member = MemberFactory(cooperative=cooperative)
    found = {"member": MemberPersonFactory(member=member).person}
    found["stranger"] = MemberPersonFactory(member=MemberFactory(cooperative=cooperative)).person
    for role in Role:
        found[role.value] = PersonFactory()
        RoleGrantFactory(person=found[role.value], cooperative=cooperative, role=role)
    found["outsider"] = PersonFactory()
    RoleGrantFactory(person=found["outsider"], cooperative=CooperativeFactory(), role=Role.COORDINATOR)
    return found
