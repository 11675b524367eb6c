"""Genetic trend and predictions held against later results, as evaluations keep them and pages show them; nights."""

import csv
import datetime as dt
import io
import random
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Job, RoleGrant
from accounts.services.jobs import job_run
from breeding.models import EvaluationRun, Score, TraitValue
from breeding.services.evaluation.asking import Choices, evaluation_ask
from breeding.services.evaluation.nightly import counted_words, is_nightly, nightly_ask, nightly_set
from breeding.services.matings import Share, mating_record
from breeding.services.scores import score_restore, score_withdraw
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


def test_a_short_run_carries_the_findings_of_the_whole_one_before(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    whole = EvaluationRun.objects.get().findings
    for _ in range(2):
        job = evaluation_ask(asked.cooperative, by=None, now=NOW, choices=Choices(whole=False))
        job_run(job.pk, now=NOW)
        assert EvaluationRun.objects.latest("number").findings == {"of": 1, **whole}


def test_the_first_run_is_whole_whatever_was_asked(asked: Job) -> None:
    Job.objects.filter(pk=asked.pk).update(arguments=Choices(whole=False).arguments())
    job_run(asked.pk, now=NOW)
    assert set(EvaluationRun.objects.get().findings["trend"]) == {"honey_yield", "merit"}


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


def _next_night(run: EvaluationRun) -> dt.datetime:
    """Half past two after the run, in the cooperative's zone."""
    zone = ZoneInfo(run.cooperative.time_zone)
    day = run.made_at.astimezone(zone).date() + dt.timedelta(days=1)
    return dt.datetime.combine(day, dt.time(2, 30), tzinfo=zone)


def test_at_night_changed_scores_are_evaluated_once(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    run = EvaluationRun.objects.get()
    night = _next_night(run)
    assert nightly_ask(now=night) == []  # nothing changed
    ScoreFactory(
        colony__apiary__member__cooperative=asked.cooperative, recorded_at=run.made_at + dt.timedelta(seconds=1)
    )
    assert nightly_ask(now=run.made_at + dt.timedelta(seconds=2)) == []  # the evening before
    [job] = nightly_ask(now=night)
    assert (job.kind, job.cooperative, job.requested_by) == ("evaluation", asked.cooperative, None)
    assert nightly_ask(now=night + dt.timedelta(minutes=10)) == []  # asked for already
    Job.objects.filter(pk=job.pk).update(state="stopped")
    assert nightly_ask(now=night + dt.timedelta(hours=9)) == []  # once a night, whatever became of it
    [again] = nightly_ask(now=night + dt.timedelta(days=1))
    assert again != job


def test_a_machine_that_was_off_at_night_catches_up_by_day(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    run = EvaluationRun.objects.get()
    morning = _next_night(run) + dt.timedelta(hours=6)
    late = ScoreFactory(
        colony__apiary__member__cooperative=asked.cooperative, recorded_at=morning - dt.timedelta(minutes=5)
    )
    assert nightly_ask(now=morning) == []  # entered after the hour: it waits for the next one
    late.recorded_at = run.made_at + dt.timedelta(seconds=1)
    late.save()
    assert len(nightly_ask(now=morning)) == 1


def test_a_withdrawn_and_a_restored_score_are_changes_too(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    run = EvaluationRun.objects.get()
    score = Score.objects.filter(trait__cooperative=asked.cooperative).latest("pk")
    score_withdraw(score, by=None, now=run.made_at + dt.timedelta(seconds=1))
    night = _next_night(run)
    [job] = nightly_ask(now=night)
    Job.objects.filter(pk=job.pk).delete()
    score_restore(score, by=None, now=run.made_at + dt.timedelta(seconds=2))
    assert len(nightly_ask(now=night)) == 1


def test_who_enters_a_score_reads_when_it_counts(asked: Job) -> None:
    cooperative = asked.cooperative
    assert counted_words(cooperative, now=NOW) == "The evaluation that is in line counts them."
    Job.objects.update(state="working")
    assert counted_words(cooperative, now=NOW) == "They are counted in the evaluation of the coming night."
    assert "of this night, after 2:00" in counted_words(cooperative, now=NIGHT - dt.timedelta(hours=2))
    nightly_set(cooperative, nightly=False, by=None, now=NOW)
    assert "when a breeder or the coordinator starts" in counted_words(cooperative, now=NOW)


def test_nights_can_be_switched_off_and_on(asked: Job) -> None:
    job_run(asked.pk, now=NOW)
    client = _breeder(asked)
    assert is_nightly(asked.cooperative)
    client.post(reverse("breeding:nightly"))
    assert not is_nightly(asked.cooperative)
    assert "No evaluation is made by itself." in client.get(reverse("breeding:evaluation_new")).content.decode()
    made = EvaluationRun.objects.get().made_at
    ScoreFactory(colony__apiary__member__cooperative=asked.cooperative, recorded_at=made + dt.timedelta(minutes=1))
    assert nightly_ask(now=_next_night(EvaluationRun.objects.get())) == []
    nightly_set(asked.cooperative, nightly=True, by=None, now=NOW)
    nightly_set(asked.cooperative, nightly=True, by=None, now=NOW)
    assert is_nightly(asked.cooperative)
    assert AuditEntry.objects.filter(action="evaluation.nightly").count() == 2
