"""What another fact would bring: worked out beside the plan, nothing written, kept where the coordinator can."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, Job, Person, Role
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from scheduling.models import BenchSession, Placement, Plan, SeasonSetting
from scheduling.planning.changed import with_dose, with_drones
from scheduling.queries.what_if import ShownAnswer, WhatIf, answers_of
from scheduling.services.what_if import what_if_ask, what_if_keep
from tests.factories import NOW, CooperativeFactory, MemberPersonFactory, PersonFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.planning.seasons import season as pure_season
from tests.scheduling.planning.seasons import source as pure_source

pytestmark = pytest.mark.django_db


class Scarce(PlanWorld):
    """Ten queens asked for, one bench day with six places."""

    def __init__(self) -> None:
        super().__init__(places=6, days=(12,))
        self.ask("Rowan")
        self.ask("Alder", minutes=5)
        RoleGrantFactory(person=self.by, cooperative=self.season.cooperative, role=Role.COORDINATOR)
        self.plan = self.publish()

    def answer(self, change: dict[str, Any]) -> tuple[Job, list[ShownAnswer]]:
        job = what_if_ask(self.plan, change, by=self.by, now=NOW)
        assert job_run(job.pk, now=NOW)
        job.refresh_from_db()
        assert (job.state, job.problem) == ("ready", "")
        return job, answers_of(job, self.plan, WhatIf(self.season, change), now=NOW)

    @property
    def limits(self) -> dict[str, Any]:
        session = self.sessions[0]
        return {
            "kind": "limits",
            "session": session.pk,
            "operator_minutes": session.operator_minutes,
            "places": 9,
            "collect_drones": session.collect_drones,
        }


@pytest.fixture
def world() -> Scarce:
    return Scarce()


def test_more_places_would_serve_more_and_nothing_is_written(world: Scarce) -> None:
    before = (BenchSession.objects.values().get(), list(Placement.objects.values()), Plan.objects.count())
    _job, answers = world.answer(world.limits)
    best = max(answers, key=lambda one: one.gain)
    assert (best.served, best.gain, best.owed) == (9, 3, 3)
    assert sum(row.difference for row in best.members) == 3
    assert (BenchSession.objects.values().get(), list(Placement.objects.values()), Plan.objects.count()) == before


@pytest.mark.parametrize(
    ("change", "gain"),
    [
        ({"kind": "session", "day": "2026-06-13"}, 4),
        ({"kind": "level", "value": "0.8"}, 0),
        ({"kind": "dose", "tenths": 90}, 0),
        ({"kind": "drones", "drones": 50}, 0),
        ({"kind": "cap", "permille": None}, 0),
    ],
)
def test_each_question_has_an_answer(world: Scarce, change: dict[str, Any], gain: int) -> None:
    things = {"bench": world.sessions[0].bench_id, "session": world.sessions[0].pk, "source": world.source.pk}
    needs = {"session": ["bench"], "drones": ["source", "session"], "cap": ["source"]}.get(change["kind"], [])
    _job, answers = world.answer({**change, **{name: things[name] for name in needs}})
    assert max(one.gain for one in answers) == gain
    assert not SeasonSetting.objects.filter(key="service_level_share").exists()
    assert BenchSession.objects.count() == 1


def test_the_same_question_while_it_is_worked_out_is_one_run(world: Scarce) -> None:
    first = what_if_ask(world.plan, world.limits, by=world.by, now=NOW)
    assert what_if_ask(world.plan, world.limits, by=world.by, now=NOW) == first
    assert what_if_ask(world.plan, {**world.limits, "places": 8}, by=world.by, now=NOW) != first


def test_the_answer_is_kept_as_a_sketch_with_the_fact_changed(world: Scarce) -> None:
    job, answers = world.answer(world.limits)
    best = max(answers, key=lambda one: one.gain)
    sketch = what_if_keep(job, name=best.name, by=world.by, now=NOW)
    assert (sketch.state, sketch.result["served"], sketch.based_on) == ("to_check", 9, world.plan)
    assert BenchSession.objects.get().places == 9
    assert AuditEntry.objects.filter(action="plan.what_if", subject_id=sketch.pk).count() == 1


def test_what_only_members_or_hives_can_give_is_not_kept(world: Scarce) -> None:
    job, answers = world.answer({"kind": "dose", "tenths": 90})
    with pytest.raises(Refusal) as refused:
        what_if_keep(job, name=answers[0].name, by=world.by, now=NOW)
    assert refused.value.rule == "what_if_not_yours"


@pytest.mark.parametrize(("days_later", "publishes", "rule"), [(1, False, "what_if_day"), (0, True, "plan_base")])
def test_an_answer_of_other_facts_is_not_kept(world: Scarce, days_later: int, publishes: bool, rule: str) -> None:
    job, answers = world.answer(world.limits)
    if publishes:
        world.publish()
    with pytest.raises(Refusal) as refused:
        what_if_keep(job, name=answers[0].name, by=world.by, now=NOW + dt.timedelta(days=days_later))
    assert refused.value.rule == rule
    assert BenchSession.objects.get().places == 6, "both or nothing"


def test_more_drones_join_the_youngest_ripe_cohort_or_are_one_of_their_day() -> None:
    problem = pure_season(sources=[pure_source("S1"), pure_source("S2", cohorts=[])], weights=[1000, 1010, 1020, 1030])
    one = with_drones(problem, "S1", 2, 10)
    assert one.sources[0].cohorts[0].stock_eq == 200_000 + 10 * 1020
    other = with_drones(problem, "S2", 3, 10).sources[1].cohorts
    assert [(cohort.first_day, cohort.last_day, cohort.stock_eq) for cohort in other] == [(3, 3, 10_300)]
    assert {booking.ul10 for booking in with_dose(problem, 95).bookings} == {95}
    for bad in (
        lambda: with_drones(problem, "S9", 1, 1),
        lambda: with_drones(problem, "S1", 4, 1),
        lambda: with_dose(problem, 0),
    ):
        with pytest.raises(ValueError, match="is"):
            bad()


@pytest.fixture
def page(world: Scarce, client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    client.force_login(world.by)
    return client


def test_the_pages_lead_from_a_question_to_a_sketch(world: Scarce, page: Client) -> None:
    ask = reverse("scheduling:what_if_ask", args=[world.plan.pk])
    assert ask in page.get(reverse("scheduling:board")).content.decode()
    wrong = page.post(ask, {"kind": "limits", "limits-session": world.sessions[0].pk})
    assert (wrong.status_code, "Enter at least one figure" in wrong.content.decode()) == (422, True)
    sent = page.post(ask, {"kind": "limits", "limits-session": world.sessions[0].pk, "limits-places": 9})
    job = Job.objects.get(kind="what_if")
    answer = reverse("scheduling:what_if", args=[job.pk])
    assert sent["Location"] == answer
    assert "What would it bring?" in page.get(answer).content.decode()
    assert page.get(reverse("scheduling:what_if_run", args=[job.pk]), headers={"HX-Request": "true"}).status_code == 200
    assert job_run(job.pk, now=NOW)
    moved = page.get(reverse("scheduling:what_if_run", args=[job.pk]), headers={"HX-Request": "true"})
    assert moved["HX-Redirect"].endswith(answer)
    shown = page.get(answer)
    assert "3 queens more would get a place" in shown.content.decode()
    name = max(shown.context["answers"], key=lambda one: one.gain).name
    kept = page.post(reverse("scheduling:what_if_keep", args=[job.pk]), {"name": name})
    sketch = Plan.objects.get(state="to_check")
    assert kept["Location"] == reverse("scheduling:plan", args=[sketch.pk])
    assert "9 places" in page.get(ask).content.decode(), "asked before"


@pytest.mark.parametrize("kind", ["level", "cap", "dose", "drones", "session"])
def test_every_form_says_what_is_wrong(world: Scarce, page: Client, kind: str) -> None:
    forms: dict[str, dict[str, Any]] = {
        "level": {"percent": "20"},
        "cap": {"source": world.source.pk, "percent": "200"},
        "dose": {"tenths": "20"},
        "drones": {"source": world.source.pk, "session": world.sessions[0].pk, "drones": 0},
        "session": {"bench": world.sessions[0].bench_id, "day": "soon"},
    }
    data = {"kind": kind, **{f"{kind}-{name}": value for name, value in forms[kind].items()}}
    answer = page.post(reverse("scheduling:what_if_ask", args=[world.plan.pk]), data)
    assert answer.status_code == 422
    assert not Job.objects.filter(kind="what_if").exists()


def test_a_run_is_stopped_and_says_so(world: Scarce, page: Client) -> None:
    job = what_if_ask(world.plan, world.limits, by=world.by, now=NOW)
    page.post(reverse("scheduling:what_if_stop", args=[job.pk]))
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert (job.state, job.result) == ("stopped", {})
    assert "No answer" in page.get(reverse("scheduling:what_if", args=[job.pk])).content.decode()


@pytest.mark.parametrize(("who", "status"), [("operator", 404), ("member", 404), ("outsider", 404), (None, 302)])
def test_only_the_coordinator_asks(world: Scarce, client: Client, who: str | None, status: int) -> None:
    people: dict[str, Person] = {
        "member": MemberPersonFactory(member=world.bookings[0].member).person,
        "operator": PersonFactory(),
        "outsider": PersonFactory(),
    }
    RoleGrantFactory(person=people["operator"], cooperative=world.season.cooperative, role=Role.OPERATOR)
    RoleGrantFactory(person=people["outsider"], cooperative=CooperativeFactory(), role=Role.COORDINATOR)
    job = what_if_ask(world.plan, world.limits, by=world.by, now=NOW)
    if who:
        client.force_login(people[who])
    plan = reverse("scheduling:what_if_ask", args=[world.plan.pk])
    for method, url in [
        ("get", plan),
        ("post", plan),
        ("get", reverse("scheduling:what_if", args=[job.pk])),
        ("post", reverse("scheduling:what_if_keep", args=[job.pk])),
        ("post", reverse("scheduling:what_if_stop", args=[job.pk])),
    ]:
        answer = getattr(client, method)(url)
        assert answer.status_code in ({status, 403} if who in ("operator", "member") else {status}), url
    job.refresh_from_db()
    assert job.is_open
