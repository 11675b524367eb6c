"""Who may open what: plan board, bench days, requests, balance, reminders, bench, checks, outcomes."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Person
from scheduling.models import BatchQueen, Plan
from tests.factories import (
    BatchQueenFactory,
    BenchFactory,
    BenchSessionFactory,
    PlanFactory,
    QueenBatchFactory,
    ReminderFactory,
    SeasonFactory,
)

pytestmark = pytest.mark.django_db

WHO = ["coordinator", "operator", "breeder", "member", "stranger", "outsider", "anonymous"]
TODAY = dt.date.today()  # noqa: DTZ011  the pages take the day from the clock


@pytest.fixture
def things(people: dict[str, Person]) -> dict[str, int | str]:
    member = people["member"].members.get()
    season = SeasonFactory(
        cooperative=member.cooperative,
        year=TODAY.year,
        starts_on=TODAY - dt.timedelta(days=60),
        ends_on=TODAY + dt.timedelta(days=60),
    )
    bench = BenchFactory(cooperative=member.cooperative)
    session = BenchSessionFactory(season=season, bench=bench, day=TODAY + dt.timedelta(days=3))
    batch = QueenBatchFactory(season=season, member=member, grafted_on=TODAY - dt.timedelta(days=20))
    queen: BatchQueen = BatchQueenFactory(batch=batch, queen__birth_year=TODAY.year)
    plan: Plan = PlanFactory(season=season, state="sketch")
    reminder = ReminderFactory(member=member, due_at=batch.created_at)
    return {
        "session": session.pk,
        "queen": queen.pk,
        "plan": plan.pk,
        "reminder": reminder.pk,
        "cooperative": member.cooperative_id,
        "named": "member",
    }


def status(person: Person | None, name: str, *args: int | str, method: str = "get") -> int:
    client = Client()
    if person is not None:
        client.force_login(person)
    return int(getattr(client, method)(reverse(f"scheduling:{name}", args=args)).status_code)


COORDINATOR_ONLY = [200, 403, 403, 403, 403, 200, 302]
CASES = [
    # name, thing, expected in the order of WHO
    ("board", None, COORDINATOR_ONLY),
    ("requests", None, COORDINATOR_ONLY),
    ("requests_csv", None, COORDINATOR_ONLY),
    ("balance", None, COORDINATOR_ONLY),
    ("session_add", None, [200, 403, 403, 403, 403, 302, 302]),
    ("bench_add", None, COORDINATOR_ONLY),
    ("plans", None, COORDINATOR_ONLY),
    ("source_shares", None, COORDINATOR_ONLY),
    ("plans_compare", None, COORDINATOR_ONLY),
    ("plan", "plan", [200, 404, 404, 404, 404, 404, 302]),
    ("plan_publish", "plan", [200, 404, 404, 404, 404, 404, 302]),
    ("session", "session", [200, 403, 403, 403, 403, 404, 302]),
    ("session_cancel", "session", [200, 403, 403, 403, 403, 404, 302]),
    ("search", None, [200, 200, 200, 200, 200, 200, 302]),
    ("names", "named", [200, 200, 200, 200, 200, 200, 302]),
    ("sessions", None, [200, 200, 200, 200, 200, 200, 302]),
    ("outcomes", None, [200, 200, 200, 200, 200, 200, 302]),
    ("bench", None, [200, 200, 403, 403, 403, 200, 302]),
    ("bench_session", "session", [200, 200, 403, 403, 403, 404, 302]),
    ("bench_close", "session", [200, 200, 403, 403, 403, 404, 302]),
    ("check_add", "queen", [200, 403, 403, 200, 403, 404, 302]),
    ("reminders", None, [200, 200, 200, 200, 200, 200, 302]),
    ("hive_looks", None, [200, 200, 200, 200, 200, 200, 302]),
    ("hive_data", "cooperative", [200, 200, 200, 200, 200, 404, 302]),
    ("reminder_wishes", None, [200, 200, 200, 200, 200, 200, 302]),
    ("reminder_put_off", "reminder", [200, 404, 404, 200, 404, 404, 302]),
]


@pytest.mark.parametrize(("name", "thing", "expected"), CASES, ids=[case[0] for case in CASES])
def test_each_person_gets_what_is_theirs(
    name: str, thing: str | None, expected: list[int], people: dict[str, Person], things: dict[str, int | str]
) -> None:
    args = [things[thing]] if thing else []
    got = [status(people.get(who), name, *args) for who in WHO]
    assert dict(zip(WHO, got, strict=True)) == dict(zip(WHO, expected, strict=True))


POSTS = [
    ("plan_work_out", None, [302, 403, 403, 403, 403, 302, 302]),
    ("plan_discard", "plan", [302, 404, 404, 404, 404, 404, 302]),
    ("plan_publish", "plan", [302, 404, 404, 404, 404, 404, 302]),
    ("plan_sketch", "plan", [302, 404, 404, 404, 404, 404, 302]),
    ("bench_start", "session", [422, 422, 403, 403, 403, 404, 302]),
    ("hive_entries", "cooperative", [400, 400, 400, 400, 400, 404, 302]),
    ("hive_tries", "cooperative", [400, 400, 400, 400, 400, 404, 302]),
    ("reminder_done", "reminder", [302, 404, 404, 302, 404, 404, 302]),
    ("reminder_let_go", "reminder", [302, 404, 404, 302, 404, 404, 302]),
]


@pytest.mark.parametrize(("name", "thing", "expected"), POSTS, ids=[case[0] for case in POSTS])
def test_each_person_may_change_what_is_theirs(
    name: str, thing: str | None, expected: list[int], people: dict[str, Person], things: dict[str, int | str]
) -> None:
    args = [things[thing]] if thing else []
    got = [status(people.get(who), name, *args, method="post") for who in WHO]
    assert dict(zip(WHO, got, strict=True)) == dict(zip(WHO, expected, strict=True))


@pytest.mark.parametrize("name", ["plan_work_out", "bench_start", "reminder_done"])
def test_a_change_is_never_made_by_a_mere_visit(
    name: str, people: dict[str, Person], things: dict[str, int | str]
) -> None:
    args = {"bench_start": [things["session"]], "reminder_done": [things["reminder"]]}.get(name, [])
    assert status(people["coordinator"], name, *args) == 405
