"""The page that shows what each service level would bring, and the job behind it."""

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Job, Role
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop, job_run
from scheduling.models import SeasonSetting
from scheduling.queries.problem import problem_and_truth, problem_of
from scheduling.queries.service_levels import levels_last, levels_of, levels_open_run
from scheduling.services.service_levels import service_levels_ask
from tests.factories import NOW, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db
PAGE = "scheduling:service_levels"


def world_with_requests() -> PlanWorld:
    world = PlanWorld()
    for minutes, name in enumerate(("Rowan 1", "Thrift 1", "Sorrel 1")):
        world.ask(name, minutes=minutes)
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    return world


def worked_out(world: PlanWorld) -> Job:
    job = service_levels_ask(world.season, by=world.by, now=NOW, seconds=0.5)
    assert job_run(job.pk, now=NOW)
    job.refresh_from_db()
    return job


def test_each_level_is_worked_out_and_shown(client: Client) -> None:
    world = world_with_requests()
    job = worked_out(world)
    assert (job.state, job.problem) == ("ready", "")
    last = levels_last(world.season)
    assert last is not None
    assert [point.level for point in last.points] == levels_of(world.season) == [0.5, 0.8, 0.9, 0.95]
    point = last.at(0.9)
    assert point is not None
    assert (point.promised, point.sessions > 0, point.short_low <= 0.1) == (15, True, True)
    client.force_login(world.by)
    text = client.get(reverse(PAGE)).content.decode()
    assert "At 90 % it promises 15 queens" in text
    assert text.count("<svg") >= 2
    assert "Use 80 %" in text
    assert "Use 90 %" not in text  # that is what the season keeps


def test_a_level_is_chosen_from_the_page(client: Client) -> None:
    world = world_with_requests()
    worked_out(world)
    client.force_login(world.by)
    address = reverse("scheduling:setting", args=[world.season.pk, "service_level_share"])
    shown = client.post(address, {"value": "0.8", "reason": "Chosen from the curve of the season"}, follow=True)
    if shown.context and "preview" in shown.context and shown.context["preview"] is not None:
        client.post(address, {"value": "0.8", "reason": "Chosen from the curve of the season", "save": "1"})
    assert str(SeasonSetting.objects.get(key="service_level_share").value) == "0.800"
    text = client.get(reverse(PAGE)).content.decode()
    assert "At 80 % it promises" in text
    SeasonSetting.objects.filter(key="service_level_share").update(value="0.85")
    assert "another one now" in client.get(reverse(PAGE)).content.decode()
    assert levels_of(world.season) == [0.5, 0.8, 0.85, 0.9, 0.95]


def test_asking_twice_is_one_run_and_a_run_that_is_stopped_keeps_nothing_half() -> None:
    world = world_with_requests()
    job = service_levels_ask(world.season, by=world.by, now=NOW, seconds=0.5)
    assert service_levels_ask(world.season, by=world.by, now=NOW) == job == levels_open_run(world.season)
    job_ask_stop(job, by=world.by, now=NOW)
    assert job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert (job.state, str(job.problem)) == ("stopped", "Stopped on request.")
    assert levels_last(world.season) is None


def test_without_requests_or_bench_days_there_is_nothing_to_work_out(client: Client) -> None:
    world = PlanWorld()
    with pytest.raises(Refusal, match="Nobody asks for a place yet"):
        service_levels_ask(world.season, by=world.by, now=NOW)
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    client.force_login(world.by)
    answer = client.post(reverse("scheduling:service_levels_work_out"), follow=True)
    assert "Nobody asks for a place yet" in answer.content.decode()
    assert not Job.objects.exists()
    assert "Not worked out yet" in answer.content.decode()


def test_the_page_follows_a_run_and_can_stop_it(client: Client) -> None:
    world = world_with_requests()
    job = service_levels_ask(world.season, by=world.by, now=NOW, seconds=0.5)
    client.force_login(world.by)
    assert "Stop" in client.get(reverse(PAGE)).content.decode()
    part = client.get(reverse("scheduling:service_levels_run"), headers={"HX-Request": "true"}).content.decode()
    assert f"job-{job.pk}" in part
    client.post(reverse("scheduling:service_levels_stop"))
    job.refresh_from_db()
    assert job.stop_requested_at is not None
    assert job_run(job.pk, now=NOW)
    answer = client.get(reverse("scheduling:service_levels_run"), headers={"HX-Request": "true"})
    assert answer["HX-Redirect"].endswith(reverse(PAGE))


def test_only_the_coordinator_sees_it(client: Client) -> None:
    world = world_with_requests()
    person = world.person(world.bookings[0])
    for name in (PAGE, "scheduling:service_levels_run"):
        assert client.get(reverse(name)).status_code == 302  # to the sign-in
        client.force_login(person)
        assert client.get(reverse(name)).status_code == 403
        client.logout()
    client.force_login(person)
    for name in ("scheduling:service_levels_work_out", "scheduling:service_levels_stop"):
        assert client.post(reverse(name)).status_code == 403
    stranger = PlanWorld()
    RoleGrantFactory(person=stranger.by, cooperative=stranger.season.cooperative, role=Role.COORDINATOR)
    worked_out(world)
    client.force_login(stranger.by)
    assert "Not worked out yet" in client.get(reverse(PAGE)).content.decode()


def test_the_truth_behind_the_season_s_stocks_stands_beside_them() -> None:
    world = world_with_requests()
    problem, truth = problem_and_truth(world.season, now=NOW)
    assert problem == problem_of(world.season, now=NOW)
    [source] = problem.sources
    [cohort], [stock] = source.cohorts, truth.stocks[source.id]
    assert stock.sd == pytest.approx(0.12 * stock.mean, rel=1e-3)
    assert cohort.stock_eq == pytest.approx(stock.mean - 1.2816 * stock.sd, rel=1e-4)
