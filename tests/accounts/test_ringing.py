"""Asking for long work rings the broker on the right queue; a broker that is away loses nothing."""

import time
import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from celery import Celery
from django.conf import LazySettings

from accounts.models import Job, JobState
from accounts.services.jobs import job_ask
from accounts.tasks import ring_jobs
from config.celery import app
from tests.factories import NOW, CooperativeFactory

pytestmark = pytest.mark.django_db
QUEUES = {"evaluation": "evaluation", "plan": "planning"}


@pytest.fixture
def broker(settings: LazySettings) -> Iterator[Any]:
    settings.SERVED = True
    with app.connection_for_write() as connection:
        channel = connection.channel()
        channel.client.delete(*QUEUES.values())
        yield channel
        channel.client.delete(*QUEUES.values())


def waiting_in(broker: Any, queue: str) -> list[tuple[str, list[int]]]:
    """Task names and arguments of what waits, taken out."""
    messages = iter(lambda: broker.basic_get(queue, no_ack=True), None)
    return [(message.headers["task"], message.decode()[0]) for message in messages]


def ask(kind: str) -> Job:
    return job_ask(kind, cooperative=CooperativeFactory.create(), by=None, now=NOW, arguments={}, key=uuid.uuid4())


@pytest.mark.redis
@pytest.mark.parametrize(("kind", "queue"), QUEUES.items())
def test_a_job_rings_on_the_queue_of_its_kind(
    broker: Any, kind: str, queue: str, django_capture_on_commit_callbacks
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        job = ask(kind)
    assert {name: waiting_in(broker, name) for name in QUEUES.values()} == {
        **{name: [] for name in QUEUES.values()},
        queue: [(f"accounts.run_job_{queue}", [job.pk])],
    }


@pytest.mark.redis
def test_the_sweep_rings_for_jobs_that_nobody_holds(broker: Any) -> None:
    lost = ask("plan")
    ended = ask("plan")
    Job.objects.filter(pk=ended.pk).update(state=JobState.READY)
    ring_jobs()
    assert waiting_in(broker, "planning") == [("accounts.run_job_planning", [lost.pk])]


def test_a_broker_that_is_away_leaves_the_job_in_line(
    settings: LazySettings, monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks
) -> None:
    settings.SERVED = True
    away = Celery("away", broker="redis://127.0.0.1:1/0", set_as_current=False)
    away.conf.broker_transport_options = app.conf.broker_transport_options
    monkeypatch.setattr("config.celery.app", away)
    began = time.monotonic()
    with django_capture_on_commit_callbacks(execute=True):
        job = ask("plan")
    assert time.monotonic() - began < 4, "the person who asked waits for this"
    job.refresh_from_db()
    assert job.state == JobState.IN_LINE


def test_embedded_asks_no_broker(monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks) -> None:
    monkeypatch.setattr("config.celery.app", None)
    with django_capture_on_commit_callbacks(execute=True):
        job = ask("plan")
    assert job.state == JobState.IN_LINE
