"""What machines ask without a sign-in."""

import datetime as dt

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import OperationalError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from django.utils import timezone

from scheduling.models import Heartbeat
from scheduling.queries.health import health_problems
from tests.factories import NOW

pytestmark = pytest.mark.django_db
LATE = "The minute sweep last ran 61 seconds ago, so reminders are late. Look at the beat and the mail worker."


def beat(at: dt.datetime, name: str = "reminders") -> None:
    Heartbeat.objects.update_or_create(name=name, defaults={"at": at})


def test_live_answers_without_touching_the_database(client: Client, django_assert_num_queries) -> None:
    with django_assert_num_queries(0):
        answer = client.get("/healthz/live")
    assert (answer.status_code, answer.content) == (200, b"alive\n")
    assert "no-store" in answer["Cache-Control"]


def test_ready_when_the_sweep_ran_within_a_minute(client: Client) -> None:
    beat(timezone.now())
    answer = client.get("/healthz/ready")
    assert (answer.status_code, answer.content) == (200, b"ready\n")


def test_not_ready_before_the_first_sweep(client: Client) -> None:
    answer = client.get("/healthz/ready")
    assert answer.status_code == 503
    assert answer.content.decode().startswith("The minute sweep has never run")


@pytest.mark.parametrize(("seconds", "problems"), [(60, []), (61, [LATE])])
def test_the_sweep_may_be_silent_for_sixty_seconds(seconds: int, problems: list[str]) -> None:
    beat(NOW - dt.timedelta(seconds=seconds))
    assert health_problems(now=NOW) == problems


def test_the_latest_of_several_sweeps_counts() -> None:
    beat(NOW - dt.timedelta(hours=1), name="old")
    beat(NOW)
    assert health_problems(now=NOW) == []


def test_a_missing_migration_is_said_before_all_else() -> None:
    beat(NOW)
    recorder = MigrationRecorder(connection)
    [(app, newest)] = MigrationLoader(connection).graph.leaf_nodes("breeding")
    recorder.record_unapplied(app, newest)
    try:
        [problem] = health_problems(now=NOW)
    finally:
        recorder.record_applied(app, newest)
    assert problem.startswith("The database lacks ")
    assert problem.endswith("migrations. Run manage.py migrate.")


def test_a_silent_database_gives_503_and_does_not_tell_strangers_why(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **kwargs: object) -> None:
        raise OperationalError("connection to server at db.internal failed")

    monkeypatch.setattr("scheduling.queries.health.MigrationExecutor", refuse)
    answer = client.get("/healthz/ready")
    assert (answer.status_code, answer.content) == (503, b"The database does not answer. The log says why.\n")


@pytest.mark.parametrize("path", ["/healthz/live", "/healthz/ready"])
def test_health_pages_change_nothing(client: Client, path: str) -> None:
    assert client.post(path).status_code == 405


def test_the_same_question_from_a_shell(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(CommandError, match="has never run"):
        call_command("check_ready")
    beat(timezone.now())
    call_command("check_ready")
    assert capsys.readouterr().out == "ready\n"
