import pytest

from tests.scheduling.world import World, make_world


@pytest.fixture
def world(db: None) -> World:
    return make_world()
