"""Figures for whoever watches the machine: right, few, and for nobody without the key."""

import datetime as dt

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families
from pytest_django import DjangoAssertNumQueries, Settings

from accounts.models import Job, JobState
from scheduling.models import Delivery, DeliveryState
from scheduling.queries.gauges import gauges
from scheduling.services.heartbeat import beat
from tests.factories import NOW, CooperativeFactory, PersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db
KEY = "k" * 40
MINUTE = dt.timedelta(minutes=1)


def asked(client: Client, key: str = KEY) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    answer = client.get("/metrics", headers={"Authorization": f"Bearer {key}"})
    assert answer.status_code == 200
    families = text_string_to_metric_families(answer.content.decode())
    return {(one.name, tuple(sorted(one.labels.items()))): one.value for family in families for one in family.samples}


def delivered(late_seconds: float, *, state: str = DeliveryState.SENT, channel: str = "mail") -> None:
    due_at = NOW - 10 * MINUTE
    sent_at = due_at + dt.timedelta(seconds=late_seconds) if state == DeliveryState.SENT else None
    Delivery.objects.create(
        reminder=ReminderFactory(tell_at=None),
        person=PersonFactory(),
        channel=channel,
        due_at=due_at,
        state=state,
        sent_at=sent_at,
    )


def figures(*names: str) -> dict[str, list[tuple[tuple[str, ...], float]]]:
    return {one.name: list(one.values) for one in gauges(now=NOW) if one.name in names}


@pytest.mark.parametrize("key", ["", "Bearer", f"Bearer {KEY}x", f"bearer {KEY}", KEY])
def test_without_the_key_there_is_no_such_page(client: Client, settings: Settings, key: str) -> None:
    settings.METRICS_KEY = KEY
    assert client.get("/metrics", headers={"Authorization": key}).status_code == 404


def test_where_no_key_is_set_nobody_has_it(client: Client, settings: Settings) -> None:
    settings.METRICS_KEY = ""
    assert client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404


def test_requests_are_counted_by_route_and_never_by_address(client: Client, settings: Settings) -> None:
    settings.METRICS_KEY = KEY
    client.get("/healthz/live")
    client.get("/nowhere/to/be/found/7/")
    counts = {labels: value for (name, labels), value in asked(client).items() if name.endswith("_seconds_count")}
    routes = {dict(labels)["route"] for labels in counts}
    assert "none" in routes
    assert any("live" in route for route in routes)
    assert not any("7" in route for route in routes)


def test_lateness_is_that_of_what_was_sent_outside_the_app() -> None:
    for late in range(100):
        delivered(float(late))
    delivered(500.0, channel="inbox")
    delivered(0.0, state=DeliveryState.RETRY)
    found = figures("broodtide_delivery_late_seconds", "broodtide_deliveries")
    assert found["broodtide_delivery_late_seconds"] == [(("mail", "0.5"), 50.0), (("mail", "0.99"), 99.0)]
    assert found["broodtide_deliveries"] == [(("inbox", "sent"), 1), (("mail", "retry"), 1), (("mail", "sent"), 100)]


def test_long_work_waits_and_ends() -> None:
    cooperative = CooperativeFactory()
    for minutes in (3, 8):
        Job.objects.create(cooperative=cooperative, kind="plan", requested_at=NOW - minutes * MINUTE)
    for took in (2, 4):
        Job.objects.create(
            cooperative=cooperative,
            kind="evaluation",
            state=JobState.READY,
            requested_at=NOW - 20 * MINUTE,
            started_at=NOW - 10 * MINUTE,
            finished_at=NOW - (10 - took) * MINUTE,
        )
    names = ["jobs_open", "job_wait_seconds", "jobs_ended", "job_seconds"]
    assert figures(*(f"broodtide_{name}" for name in names)) == {
        "broodtide_jobs_open": [(("plan",), 2)],
        "broodtide_job_wait_seconds": [(("plan",), 480.0)],
        "broodtide_jobs_ended": [(("evaluation", "ready"), 2)],
        "broodtide_job_seconds": [(("evaluation", "ready", "mean"), 180.0), (("evaluation", "ready", "most"), 240.0)],
    }


def test_the_sweep_and_what_it_left_undone_have_an_age() -> None:
    assert figures("broodtide_sweep_age_seconds") == {"broodtide_sweep_age_seconds": []}
    beat(now=NOW - MINUTE)
    ReminderFactory(critical=True, due_at=NOW - 3 * MINUTE)
    ReminderFactory(critical=False, due_at=NOW - 5 * MINUTE)
    assert figures("broodtide_sweep_age_seconds", "broodtide_reminder_overdue_seconds") == {
        "broodtide_sweep_age_seconds": [((), 60.0)],
        "broodtide_reminder_overdue_seconds": [(("all",), 300.0), (("critical",), 180.0)],
    }


@pytest.mark.parametrize("rows", [1, 30])
def test_the_number_of_questions_does_not_grow(rows: int, django_assert_num_queries: DjangoAssertNumQueries) -> None:
    for _ in range(rows):
        delivered(1.0)
    with django_assert_num_queries(9):
        gauges(now=NOW)
