"""The embedded worker takes open jobs one after another, and no busy database ends it."""

import pytest
from django.conf import LazySettings
from django.core.management import call_command
from django.db import OperationalError

from accounts.models import Job, JobState
from accounts.services.jobs import JobHandle, job_ask
from tests.factories import NOW, CooperativeFactory

pytestmark = pytest.mark.django_db
COMMAND = "accounts.management.commands.run_worker"


def counting(handle: JobHandle) -> dict[str, int]:
    handle.report(step="Counting")
    return {"twice": 2 * handle.arguments["number"]}


def failing(handle: JobHandle) -> dict[str, int]:
    raise OperationalError("database is locked")


@pytest.fixture(autouse=True)
def _handlers(settings: LazySettings, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.JOB_HANDLERS = {"count": f"{__name__}.counting", "fail": f"{__name__}.failing"}
    monkeypatch.setattr(f"{COMMAND}.close_old_connections", lambda: None)  # the test's own connection stays open


def ask(kind: str, number: int = 0) -> Job:
    cooperative = CooperativeFactory.create()
    return job_ask(kind, cooperative=cooperative, by=None, now=NOW, arguments={"number": number})


def test_once_runs_everything_that_is_open() -> None:
    jobs = [ask("count", 1), ask("fail"), ask("count", 3)]
    call_command("run_worker", once=True)
    ended = [(job.state, job.result) for job in (Job.objects.get(pk=job.pk) for job in jobs)]
    assert ended == [(JobState.READY, {"twice": 2}), (JobState.STOPPED, {}), (JobState.READY, {"twice": 6})]


def test_a_database_that_is_busy_ends_no_worker(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def busy(**kwargs: object) -> None:
        raise OperationalError("database is locked")

    job = ask("count", 1)
    with monkeypatch.context() as patched:
        patched.setattr(f"{COMMAND}.job_claim_next", busy)
        call_command("run_worker", once=True)
    assert "taken up again" in caplog.text
    job.refresh_from_db()
    assert job.state == JobState.IN_LINE
    call_command("run_worker", once=True)
    job.refresh_from_db()
    assert job.result == {"twice": 2}
