"""Whoever asked for long work is told how it ended, by whatever end: its result, or that there is none and why."""

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest import mock

import pytest
from django.conf import settings
from django.test import Client
from django.utils.module_loading import import_string

from accounts.models import Job, JobState, Person, Role
from accounts.refusals import Refusal
from accounts.services.jobs import MAX_ATTEMPTS, JobHandle, job_ask, job_ask_stop, job_run
from breeding.models import EvaluationRun, TableImport, VarianceEstimate
from scheduling.models import Plan, PlanState, Reminder
from scheduling.reminder_kinds import KINDS
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plans import plan_discard
from scheduling.services.run_news import TOLD
from tests.factories import (
    NOW,
    CooperativeFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    RoleGrantFactory,
)
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


def told() -> list[tuple[str, Person | None, str]]:
    rows = Reminder.objects.filter(state="wanted", kind__in=["run_stopped", "variances_ready", "evaluation_ready"])
    return [(row.kind, row.person, str(row.title)) for row in rows.order_by("pk")]


@contextmanager
def handled_by(handler: Callable[[JobHandle], dict[str, Any]], kind: str) -> Iterator[None]:
    """The work itself is another; how it ends and who is told is as it really is."""
    path = settings.JOB_HANDLERS[kind]
    with mock.patch(
        "accounts.services.jobs.import_string",
        side_effect=lambda name: handler if name == path else import_string(name),
    ):
        yield


def asked(kind: str, by: Person | None) -> Job:
    return job_ask(kind, cooperative=CooperativeFactory(), by=by, now=NOW, arguments={})


def ran(job: Job, handler: Callable[[JobHandle], dict[str, Any]]) -> Job:
    with handled_by(handler, job.kind):
        assert job_run(job.pk, now=NOW)
    job.refresh_from_db()
    return job


def estimated(handle: JobHandle) -> dict[str, Any]:
    VarianceEstimate.objects.create(
        cooperative=handle.job.cooperative,
        number=3,
        job=handle.job,
        made_at=NOW,
        records_until=dt.date(2026, 6, 1),
        queens=390,
        records=324,
        traits={},
        matrices=[],
        seconds=12.5,
    )
    return {"number": 3}


def refused(_handle: JobHandle) -> dict[str, Any]:
    raise Refusal("No trait has 30 results yet. Score more colonies, then start again.")


def broken(_handle: JobHandle) -> dict[str, Any]:
    raise RuntimeError("no")


def test_whoever_asked_for_variances_hears_that_they_are_estimated_and_finds_them(client: Client) -> None:
    person = PersonFactory()
    job = asked("estimate", person)
    RoleGrantFactory(person=person, cooperative=job.cooperative, role=Role.BREEDER)

    assert ran(job, estimated).state == JobState.READY

    [row] = Reminder.objects.filter(state="wanted")
    assert (row.kind, row.person, str(row.title)) == ("variances_ready", person, "Estimate 3 of the variances is ready")
    assert str(row.why) == "From 324 results until Mon 1 June. Nothing uses it before you adopt it."
    client.force_login(person)
    assert client.get(row.link).status_code == 200


@pytest.mark.parametrize(
    ("kind", "title"),
    [("estimate", "No variances were estimated"), ("evaluation", "No breeding values were worked out")],
)
@pytest.mark.parametrize(
    ("handler", "why"),
    [
        (refused, "No trait has 30 results yet. Score more colonies, then start again."),
        (broken, "Something in the program broke. Nothing was changed; the log says what."),
    ],
)
def test_whoever_asked_hears_that_there_is_no_result_and_why(
    client: Client, kind: str, title: str, handler: Callable[[JobHandle], dict[str, Any]], why: str
) -> None:
    person = PersonFactory()
    job = asked(kind, person)
    RoleGrantFactory(person=person, cooperative=job.cooperative, role=Role.BREEDER)

    assert ran(job, handler).state == JobState.STOPPED

    [row] = Reminder.objects.filter(state="wanted")
    assert (row.kind, row.person, str(row.title), str(row.why)) == ("run_stopped", person, title, why)
    client.force_login(person)
    assert why in client.get(row.link).content.decode()


def test_work_that_broke_off_three_times_is_told_of() -> None:
    job = asked("estimate", PersonFactory())
    Job.objects.filter(pk=job.pk).update(attempts=MAX_ATTEMPTS)

    assert not job_run(job.pk, now=NOW)

    assert told() == [("run_stopped", job.requested_by, "No variances were estimated")]


def test_of_a_run_of_the_night_that_came_to_nothing_the_breeders_hear() -> None:
    job, breeder = asked("evaluation", None), PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=job.cooperative, role=Role.BREEDER)

    ran(job, broken)

    assert told() == [("run_stopped", breeder, "No breeding values were worked out")]


def stopped(handle: JobHandle) -> dict[str, Any]:
    handle.report()
    return {}


def test_who_pressed_stop_is_not_told_of_it_but_who_asked_is() -> None:
    person, colleague = PersonFactory(), PersonFactory()
    own, others = asked("estimate", person), asked("evaluation", person)
    job_ask_stop(own, by=person, now=NOW)
    job_ask_stop(others, by=colleague, now=NOW)

    ran(own, stopped)
    ran(others, stopped)

    assert told() == [("run_stopped", person, "No breeding values were worked out")]


def test_a_later_run_takes_the_place_of_the_news_that_an_earlier_one_failed() -> None:
    person = PersonFactory()
    first = asked("estimate", person)
    second = job_ask("estimate", cooperative=first.cooperative, by=person, now=NOW, arguments={})
    ran(first, broken)

    ran(second, estimated)

    assert told() == [("variances_ready", person, "Estimate 3 of the variances is ready")]


def test_a_plan_that_could_not_be_worked_out_is_told_of_until_it_is_set_aside(client: Client) -> None:
    world = PlanWorld()
    world.ask("Rowan 1")
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    plan = plan_ask(world.season, by=world.by, now=NOW)
    assert plan.job is not None

    ran(plan.job, broken)

    [row] = Reminder.objects.filter(kind="run_stopped", state="wanted")
    assert (row.person, str(row.title)) == (world.by, "No plan was worked out")
    client.force_login(world.by)
    assert str(row.why) in client.get(row.link).content.decode()
    plan_discard(Plan.objects.select_related("season__cooperative", "job").get(pk=plan.pk), by=world.by, now=NOW)
    assert told() == []


def test_a_plan_that_was_stopped_with_the_best_kept_is_told_of_as_ready() -> None:
    world = PlanWorld()
    world.ask("Rowan 1")
    plan = plan_ask(world.season, by=world.by, now=NOW, seconds=60)
    assert plan.job is not None
    real = import_string(settings.JOB_HANDLERS["plan"])

    def stop_once_it_works(handle: JobHandle) -> dict[str, Any]:
        report = handle.report

        def reported(*args: Any, **kwargs: Any) -> None:
            if args[:1] == (JobState.CHECKING,):
                job_ask_stop(handle.job, by=world.by, now=NOW)
            report(*args, **kwargs)

        handle.report = reported  # type: ignore[method-assign]
        result: dict[str, Any] = real(handle)
        return result

    job = ran(plan.job, stop_once_it_works)

    plan.refresh_from_db()
    assert (job.state, plan.state, job.stop_requested_at is not None) == (JobState.READY, PlanState.TO_CHECK, True)
    assert [row.person for row in Reminder.objects.filter(kind="plan_ready", state="wanted")] == [world.by]


def test_a_telling_that_breaks_never_takes_the_result_away(caplog: pytest.LogCaptureFixture) -> None:
    job = asked("estimate", PersonFactory())
    with mock.patch("scheduling.services.run_news.VarianceEstimate.objects.filter", side_effect=RuntimeError("no")):
        ran(job, lambda _handle: {"number": 1})

    assert (job.state, job.result) == (JobState.READY, {"number": 1})
    assert "nobody was told" in caplog.text


def test_every_kind_of_long_work_is_told_of_or_says_on_its_page_that_it_is_not() -> None:
    """Parts of a plan are told of with the whole; the standby list tells by its offers."""
    of_others, watched = {"plan_part", "standby"}, {"what_if", "service_levels"}
    assert {*TOLD, *of_others, *watched} == set(settings.JOB_HANDLERS)
    assert {"plan_ready", "evaluation_ready", "variances_ready", "run_stopped"} <= set(KINDS)


@pytest.mark.parametrize(
    ("act", "title"),
    [
        ("read", "hives.csv is read: say which column is which"),
        ("check", "What would come of hives.csv is ready to be looked at"),
        ("commit", "hives.csv is imported"),
    ],
)
def test_whoever_sent_a_table_hears_how_far_it_is_and_finds_it(client: Client, act: str, title: str) -> None:
    member = MemberFactory()
    person = MemberPersonFactory(member=member).person
    imported = TableImport.objects.create(
        cooperative=member.cooperative, kind="queens", file_name="hives.csv", uploaded_by=person, uploaded_at=NOW
    )
    arguments = {"import": imported.pk, "act": act}
    job = job_ask("import", cooperative=member.cooperative, by=person, now=NOW, arguments=arguments)
    assert ran(job, lambda _handle: arguments).state == JobState.READY
    [row] = Reminder.objects.filter(state="wanted")
    assert (row.kind, row.person, str(row.title)) == ("import_ready", person, title)
    client.force_login(person)
    assert client.get(row.link, follow=True).status_code == 200


def test_a_table_that_could_not_be_imported_is_told_of_and_one_that_is_gone_is_not() -> None:
    person = PersonFactory()
    cooperative = CooperativeFactory()
    imported = TableImport.objects.create(cooperative=cooperative, kind="queens", file_name="a.csv", uploaded_at=NOW)
    for pk, expected in [(imported.pk + 1, []), (imported.pk, [("run_stopped", person, "A table was not imported")])]:
        arguments = {"import": pk, "act": "read"}
        ran(job_ask("import", cooperative=cooperative, by=person, now=NOW, arguments=arguments), refused)
        assert told() == expected


def test_an_evaluation_that_ends_ready_tells_in_the_same_step() -> None:
    person = PersonFactory()
    job = asked("evaluation", person)

    def evaluated(handle: JobHandle) -> dict[str, Any]:
        EvaluationRun.objects.create(
            cooperative=handle.job.cooperative,
            number=1,
            job=handle.job,
            made_at=NOW,
            records_until=dt.date(2026, 6, 1),
            queens=390,
            records=324,
            is_trial=False,
            parameters={},
            solver={},
        )
        return {"number": 1}

    assert ran(job, evaluated).result == {"number": 1}
    assert told() == [("evaluation_ready", person, "Evaluation 1 is ready")]
