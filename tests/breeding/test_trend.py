"""Genetic trend and predictions held against later results, as evaluations keep them and pages show them; nights."""

import csv
import datetime as dt
import io
import random

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Job, RoleGrant
from accounts.services.jobs import job_run
from breeding.models import EvaluationRun, TraitValue
from breeding.services.evaluation.asking import Choices, evaluation_ask
from breeding.services.evaluation.nightly import is_nightly, nightly_ask, nightly_set
from breeding.services.matings import Share, mating_record
from breeding.services.traits import traits_make
from tests.factories import (
    NOW,
    ApiaryFactory,
    ColonyFactory,
    HeadingFactory,
    MemberFactory,
    PersonFactory,
    QueenFactory,
    ScoreFactory,
)

pytestmark = pytest.mark.django_db
NIGHT = dt.datetime(2026, 6, 9, 1, 30, tzinfo=dt.UTC)  # half past three in the cooperative's zone


@pytest.fixture
def asked() -> Job:
    """Two years of a dozen daughters each at two apiaries; an evaluation in line."""
    member = MemberFactory()
    traits = {trait.key: trait for trait in traits_make(member.cooperative, by=None, now=NOW)}
    mothers = [QueenFactory(owner=member, label=f"M{n}", birth_year=2022) for n in range(3)]
    for mother in mothers:
        mating_record(mother, kind="open", drones=10, by=None, now=NOW)
    apiaries = [ApiaryFactory(member=member, name=name) for name in ("Orchard", "Moor")]
    chance = random.Random(5)
    for number in range(24):
        year = 2024 + number // 12
        queen = QueenFactory(owner=member, mother=mothers[number % 3], birth_year=year - 1)
        mating_record(queen, kind="dpq", shares=[Share(mothers[number % 2], 80)], by=None, now=NOW)
        colony = ColonyFactory(apiary=apiaries[number % 2])
        HeadingFactory(colony=colony, queen=queen)
        ScoreFactory(
            colony=colony, queen=queen, trait=traits["honey_yield"], value=round(30 + chance.gauss(0, 8), 1),
            scored_on=dt.date(year, 7, 1), recorded_at=NOW - dt.timedelta(days=2),
        )  # fmt: skip
    return evaluation_ask(member.cooperative, by=None, now=NOW)


def _breeder(job: Job) -> Client:
    person, client = PersonFactory(), Client()
    RoleGrant.objects.create(person=person, cooperative=job.cooperative, role="breeder", granted_at=NOW)
    client.force_login(person)
    return client


def test_a_run_keeps_the_mean_of_each_birth_year_around_its_own_zero(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    run = EvaluationRun.objects.get()
    found = run.findings["trend"]
    assert set(found) == {"honey_yield", "merit"}
    honey = found["honey_yield"]
    assert (honey["years"], honey["queens"]) == ([2022, 2023, 2024], [3, 12, 12])
    for year, value in zip(honey["years"], honey["value"], strict=True):
        own = TraitValue.objects.filter(run=run, queen__birth_year=year).values_list("total", flat=True)
        assert value == pytest.approx(np.mean([float(v) for v in own]), abs=1e-4)
    assert all(error > 0 for error in honey["error"])


def test_the_last_year_is_foretold_from_the_years_before(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    findings = EvaluationRun.objects.get().findings
    assert findings["held_year"] == 2025
    held = findings["held"]["honey_yield"]
    assert (held["colonies"], held["places"]) == (12, 2)
    assert -1 <= held["correlation"] <= 1
    assert held["slope_error"] > 0


def test_a_quick_run_leaves_the_slow_findings_out(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    job = evaluation_ask(asked.cooperative, by=None, now=NOW, choices=Choices(whole=False))
    job_run(job.pk, now=NOW)
    assert EvaluationRun.objects.latest("number").findings == {}


def test_the_page_shows_trend_and_how_predictions_held(asked: Job) -> None:
    client = _breeder(asked)
    assert "No trend yet" in client.get(reverse("breeding:trend")).content.decode()
    job_run(asked.pk, now=NOW)
    page = client.get(reverse("breeding:trend")).content.decode()
    assert "The stock moved by" in page
    assert "genetic SD a year" in page
    assert "The results of 2025 were left out" in page
    assert "<svg" in page
    assert "Honey yield" in page
    honey = client.get(reverse("breeding:trend"), {"of": "honey_yield"}).content.decode()
    assert "kg a year" in honey
    rows = list(csv.DictReader(io.StringIO(client.get(reverse("breeding:trend_csv")).content.decode("utf-8-sig"))))
    assert {(row["trait"], row["birth_year"]) for row in rows} == {
        (trait, str(year)) for trait in ("honey_yield", "merit") for year in (2022, 2023, 2024)
    }


def test_at_night_changed_scores_are_evaluated_once(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    run = EvaluationRun.objects.get()
    night = NIGHT.replace(year=run.made_at.year + 1)
    assert nightly_ask(now=night) == []  # nothing changed
    ScoreFactory(
        colony__apiary__member__cooperative=asked.cooperative, recorded_at=run.made_at + dt.timedelta(minutes=1)
    )
    assert nightly_ask(now=night.replace(hour=12)) == []
    [job] = nightly_ask(now=night)
    assert (job.kind, job.cooperative, job.requested_by) == ("evaluation", asked.cooperative, None)
    assert nightly_ask(now=night + dt.timedelta(minutes=10)) == []  # asked for already
    Job.objects.filter(pk=job.pk).update(state="stopped")
    assert nightly_ask(now=night + dt.timedelta(minutes=20)) == []  # once a night, whatever became of it


def test_nights_can_be_switched_off_and_on(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    client = _breeder(asked)
    assert is_nightly(asked.cooperative)
    client.post(reverse("breeding:nightly"))
    assert not is_nightly(asked.cooperative)
    assert "No evaluation is made by itself." in client.get(reverse("breeding:evaluation_new")).content.decode()
    made = EvaluationRun.objects.get().made_at
    ScoreFactory(colony__apiary__member__cooperative=asked.cooperative, recorded_at=made + dt.timedelta(minutes=1))
    assert nightly_ask(now=NIGHT.replace(year=made.year + 1)) == []
    nightly_set(asked.cooperative, nightly=True, by=None, now=NOW)
    nightly_set(asked.cooperative, nightly=True, by=None, now=NOW)
    assert is_nightly(asked.cooperative)
    assert AuditEntry.objects.filter(action="evaluation.nightly").count() == 2
