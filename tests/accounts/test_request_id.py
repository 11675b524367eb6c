"""One name from the request to the last line of the long work that it asked for."""

import json
import logging
import logging.config
import uuid

import pytest
from django.test import Client
from pytest_django import DjangoCaptureOnCommitCallbacks, Settings

from accounts.models import Job
from accounts.request_id import on_behalf_of, request_id
from accounts.services.jobs import JobHandle, job_ask, job_run
from tests.factories import NOW, CooperativeFactory

pytestmark = pytest.mark.django_db


def noting_job(handle: JobHandle) -> dict[str, str]:
    return {"on_behalf_of": request_id()}


def test_each_answer_carries_a_name_of_its_own(client: Client) -> None:
    names = [client.get("/healthz/live")["X-Request-ID"] for _ in range(2)]
    assert len({uuid.UUID(name) for name in names}) == 2
    assert request_id() == ""


@pytest.mark.parametrize(
    ("given", "is_behind", "is_taken"),
    [
        ("edge-0123456789", True, True),
        ("edge-0123456789", False, False),
        ("a b\r\nc", True, False),
        ("x" * 65, True, False),
    ],
)
def test_only_a_proxys_name_is_taken_over(
    client: Client, settings: Settings, given: str, is_behind: bool, is_taken: bool
) -> None:
    settings.BEHIND_PROXY = is_behind
    answer = client.get("/healthz/live", headers={"X-Request-ID": given})
    assert (answer["X-Request-ID"] == given) is is_taken


def test_long_work_goes_by_the_name_of_the_request_that_asked(
    settings: Settings, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    settings.JOB_HANDLERS = {"noting": f"{__name__}.noting_job"}
    settings.JOB_ENDED = f"{__name__}.nobody_is_told"
    for name, wanted in (("edge-0123456789", "edge-0123456789"), ("", None)):
        with on_behalf_of(name):
            job = job_ask("noting", cooperative=CooperativeFactory(), by=None, now=NOW, arguments={})
        assert job_run(job.pk, now=NOW)
        assert Job.objects.get(pk=job.pk).result == {"on_behalf_of": wanted or f"job-{job.pk}"}
    assert request_id() == ""


def nobody_is_told(job: Job, *, now: object) -> None:
    """Whom this is about is another test's."""


def test_a_line_of_the_log_is_one_json_object_that_names_the_request(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    made = logging.config.DictConfigurator(
        {**settings.LOGGING, "handlers": {"console": {**settings.LOGGING["handlers"]["console"], "formatter": "json"}}}
    )
    logger = logging.getLogger("tests.request_id")
    made.configure()
    try:
        with on_behalf_of("edge-0123456789"):
            logger.error("the page /calendar/abc123.ics broke\nin two lines")
    finally:
        logging.config.dictConfig(settings.LOGGING)
    [line] = capsys.readouterr().err.splitlines()
    said = json.loads(line)
    assert (said["level"], said["logger"], said["request_id"]) == ("ERROR", "tests.request_id", "edge-0123456789")
    assert "abc123" not in line
    assert said["message"].endswith("in two lines")
