"""The description in docs/ is the one that the endpoints give, and it is sound."""

from pathlib import Path
from typing import Any

import pytest
import yaml
from django.test import Client
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.renderers import OpenApiYamlRenderer
from drf_spectacular.validation import validate_schema

from tests.api.conftest import House

FILE = Path(__file__).parents[2] / "docs" / "openapi.yaml"


@pytest.fixture(scope="module")
def described() -> dict[str, Any]:
    found: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return found


def test_the_file_is_what_the_endpoints_say(described: dict[str, Any]) -> None:
    """After a change: manage.py spectacular --file docs/openapi.yaml"""
    assert OpenApiYamlRenderer().render(described, renderer_context={}).decode() == FILE.read_text(encoding="utf-8")


def test_the_description_is_valid_and_nothing_had_to_be_guessed(described: dict[str, Any]) -> None:
    validate_schema(described)
    assert not GENERATOR_STATS


def test_every_operation_has_a_name_of_its_own_and_says_what_may_go_wrong(described: dict[str, Any]) -> None:
    operations = [operation for path in described["paths"].values() for operation in path.values()]
    names = [operation["operationId"] for operation in operations]
    assert len(names) == len(set(names)) > 100
    assert all({"401", "403", "429", "503"} <= set(operation["responses"]) for operation in operations)


def test_bodies_take_no_unknown_field(described: dict[str, Any]) -> None:
    parts = described["components"]["schemas"]
    bodies = [name for name in parts if name.endswith("Request")]
    assert bodies
    assert [name for name in bodies if parts[name].get("additionalProperties") is not False] == []


@pytest.mark.django_db
def test_the_description_is_served_to_those_who_are_signed_in(house: House) -> None:
    client = Client()
    assert client.get("/api/v1/openapi.json").status_code == 401
    client.force_login(house.people["member"])
    served = client.get("/api/v1/openapi.json")
    assert served.status_code == 200
    assert set(served.json()["paths"]) == set(yaml.safe_load(FILE.read_text(encoding="utf-8"))["paths"])
