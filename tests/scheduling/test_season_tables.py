"""Lists of the season that are taken away: what the page shows, all pages of it, in columns that come in again."""

from typing import Any
from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from breeding.services.imports.headings import columns_matched
from breeding.services.imports.kinds import kinds
from scheduling.services.cohorts import count_record
from tests.scheduling.world import NOW, TODAY, World

pytestmark = pytest.mark.django_db


def taken(client: Client, table: str, **query: str) -> tuple[list[str], list[list[Any]]]:
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        answer = client.get(reverse("scheduling:season_csv", args=[table]), {"file": "json", **query})
    found = answer.json()
    return found["columns"], found["rows"]


@pytest.fixture
def owner(world: World, client: Client) -> Client:
    client.force_login(world.owner)
    return client


def test_batches_are_those_of_the_list_ones_own_or_everyones(world: World, owner: Client) -> None:
    mine = world.batch(name="Rowan 1", virgins=4)
    world.batch(name="Fell 1", member=world.other_member())
    columns, own = taken(owner, "batches", who="mine")
    assert [row[:3] for row in own] == [[world.member.name, "Rowan 1", mine.mother.label]]
    assert dict(zip(columns, own[0], strict=True))["virgins_emerged"] == 4
    _columns, all_of_them = taken(owner, "batches", who="all")
    assert {row[1] for row in all_of_them} == {"Rowan 1", "Fell 1"}


def test_counts_that_hold_are_taken_away_in_columns_that_come_in_again(world: World, owner: Client) -> None:
    cohort = world.source(name="Ling", drones=None).cohorts.get()
    for number in (900, 850):
        count_record(cohort, kind="capped", counted_on=TODAY, number=number, by=None, now=NOW)
    columns, rows = taken(owner, "counts")
    assert rows == [[world.member.name, "Ling", 1, "capped", TODAY.isoformat(), 850]]
    matched = columns_matched(kinds()["counts"].columns, columns)
    assert [columns[number] for number in matched.values()] == ["source", "cohort", "kind", "counted_on", "number"]


def test_bench_days_come_with_the_room_they_have(world: World, owner: Client) -> None:
    session = world.session(places=12)
    columns, [row] = taken(owner, "bench-days")
    said = dict(zip(columns, row, strict=True))
    assert (said["bench"], said["day"], said["places"], said["left"]) == (
        session.bench.name, session.day.isoformat(), 12, 12,
    )  # fmt: skip


def test_a_table_that_is_none_is_not_found(world: World, owner: Client) -> None:
    assert owner.get(reverse("scheduling:season_csv", args=["hats"])).status_code == 404
