"""What runs out is told of in time to those whom it concerns: semen in store, certificates; and news of values."""

import datetime as dt
from decimal import Decimal

import pytest

from accounts.models import Job, Person, Role
from accounts.services.jobs import job_ask
from breeding.models import EvaluationRun
from scheduling.models import Reminder, SemenLot
from scheduling.planning.facts import settings_from
from scheduling.planning.timing import lot_steps
from scheduling.services.bench_session import session_close
from scheduling.services.lots import lot_take_out
from scheduling.services.season import setting_change
from scheduling.services.sources import source_edit, source_withdraw
from scheduling.services.store_reminders import evaluation_ready, reminders_refresh_lot
from tests.factories import NOW as BENCH_NOW
from tests.factories import CooperativeFactory, PersonFactory, RoleGrantFactory
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import NOW, World

pytestmark = pytest.mark.django_db
DAY = dt.date


def told(kind: str) -> list[tuple[str, int | None, str]]:
    rows = Reminder.objects.filter(kind=kind, state="wanted").order_by("due_at", "stage", "person_id", "pk")
    return [(row.stage.split()[0], row.person_id, f"{row.due_at:%Y-%m-%d %H:%M}") for row in rows]


def with_role(bench: Bench, role: str) -> Person:
    person: Person = PersonFactory()
    RoleGrantFactory(person=person, cooperative=bench.session.season.cooperative, role=role)
    return person


def stored(bench: Bench) -> SemenLot:
    lot = bench.lot()
    lot_take_out(lot, kind="stored", volume_tenths=200, reason="14 °C", by=bench.by, now=BENCH_NOW)
    return lot


# -- stored semen -----------------------------------------------------------------------------------------------------


def test_days_of_stored_semen_are_14_and_42_after_it_was_collected() -> None:
    """Row N11."""
    steps = lot_steps(DAY(2026, 6, 9), settings_from({}))

    assert [(step.key, step.best, step.hard_limit) for step in steps] == [
        ("lot_normal_ends", DAY(2026, 6, 23), None),
        ("lot_limit", DAY(2026, 7, 21), DAY(2026, 7, 21)),
    ]


def test_the_bench_is_told_before_stored_semen_is_blocked() -> None:
    bench = Bench()
    operator, coordinator = with_role(bench, Role.OPERATOR), with_role(bench, Role.COORDINATOR)
    with_role(bench, Role.BREEDER)
    stored(bench)

    assert told("lot_limit") == [
        ("normal", operator.pk, "2026-06-23 06:00"),
        ("normal", coordinator.pk, "2026-06-23 06:00"),
        ("limit", operator.pk, "2026-07-14 06:00"),
        ("limit", coordinator.pk, "2026-07-14 06:00"),
    ]
    title = Reminder.objects.filter(stage__startswith="limit").first()
    assert title is not None
    assert str(title.title).endswith("20 µl: last day before the block on Tue 21 July")


def test_semen_that_was_not_stored_or_is_used_up_reminds_nobody() -> None:
    bench = Bench(queens=1)
    with_role(bench, Role.OPERATOR)
    lot = bench.lot(tenths=80)
    bench.dose(0, lot)
    assert told("lot_limit") == []
    session_close(bench.session, by=bench.by, now=BENCH_NOW)
    assert told("lot_limit") == []


def test_what_is_left_in_store_keeps_its_reminders_when_the_session_closes() -> None:
    bench = Bench(queens=1)
    with_role(bench, Role.OPERATOR)
    lot = bench.lot(tenths=200)
    lot_take_out(lot, kind="stored", volume_tenths=120, reason="14 °C", by=bench.by, now=BENCH_NOW)
    bench.dose(0, lot)
    session_close(bench.session, by=bench.by, now=BENCH_NOW)
    assert len(told("lot_limit")) == 2


def test_a_viability_result_lifts_the_limit() -> None:
    bench = Bench()
    with_role(bench, Role.OPERATOR)
    lot = stored(bench)
    SemenLot.objects.filter(pk=lot.pk).update(viability_checked_on=DAY(2026, 6, 20), viability_percent=85)
    reminders_refresh_lot(lot, now=BENCH_NOW)
    assert [stage for stage, _person, _due in told("lot_limit")] == ["normal"]


def test_another_limit_of_the_season_moves_the_reminders() -> None:
    bench = Bench()
    with_role(bench, Role.OPERATOR)
    stored(bench)
    setting_change(bench.session.season, key="semen_limit_days", value=Decimal(30), by=bench.by, now=BENCH_NOW)
    assert [due for stage, _person, due in told("lot_limit") if stage == "limit"] == ["2026-07-02 06:00"]


# -- health certificates ----------------------------------------------------------------------------------------------


def edit(world: World, until: dt.date | None) -> None:
    source = world.season.sources.get()
    source_edit(
        source,
        name=source.name,
        apiary=None,
        health_certificate="K 7",
        health_valid_until=until,
        note="",
        by=world.owner,
        now=NOW,
    )


def test_keeper_is_told_two_weeks_before_a_certificate_ends_and_coordinator_too_on_its_last_day(world: World) -> None:
    coordinator = world.coordinator()
    world.source(name="Ling")
    edit(world, DAY(2026, 7, 1))

    assert told("health_ends") == [
        ("soon", None, "2026-06-17 06:00"),
        ("last", None, "2026-07-01 06:00"),
        ("last", coordinator.pk, "2026-07-01 06:00"),
    ]
    rows = Reminder.objects.filter(kind="health_ends", person__isnull=True)
    assert set(rows.values_list("member", flat=True)) == {world.member.pk}


@pytest.mark.parametrize("until", [None, DAY(2027, 6, 1)])
def test_a_certificate_that_outlasts_the_season_or_is_not_known_reminds_nobody(
    world: World, until: dt.date | None
) -> None:
    world.source(name="Ling")
    edit(world, DAY(2026, 7, 1))
    edit(world, until)
    assert told("health_ends") == []


def test_a_source_taken_out_reminds_nobody(world: World) -> None:
    world.source(name="Ling")
    edit(world, DAY(2026, 7, 1))
    source_withdraw(world.season.sources.get(), by=world.owner, now=NOW)
    assert told("health_ends") == []


# -- new values -------------------------------------------------------------------------------------------------------


def run_of(job: Job, *, number: int, is_trial: bool = False) -> EvaluationRun:
    return EvaluationRun.objects.create(
        cooperative=job.cooperative,
        number=number,
        job=job,
        made_at=NOW,
        records_until=DAY(2026, 6, 1),
        queens=390,
        records=324,
        is_trial=is_trial,
        parameters={},
        solver={},
    )


def asked(by: Person | None, cooperative: object) -> Job:
    return job_ask("evaluation", cooperative=cooperative, by=by, now=NOW, arguments={})  # type: ignore[arg-type]


def test_whoever_asked_and_the_breeders_are_told_that_values_are_ready() -> None:
    cooperative = CooperativeFactory()
    coordinator, breeder = PersonFactory(), PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=cooperative, role=Role.BREEDER)
    RoleGrantFactory(person=coordinator, cooperative=cooperative, role=Role.COORDINATOR)
    job = asked(coordinator, cooperative)
    run_of(job, number=4)

    for _twice in range(2):
        evaluation_ready(job, now=NOW)

    assert [person for _stage, person, _due in told("evaluation_ready")] == [coordinator.pk, breeder.pk]
    assert set(map(str, Reminder.objects.values_list("title", flat=True))) == {"Evaluation 4 is ready"}


def test_a_trial_is_told_to_whoever_asked_alone_and_leaves_other_news_standing() -> None:
    cooperative = CooperativeFactory()
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=cooperative, role=Role.BREEDER)
    first, trial, second = (asked(breeder, cooperative) for _number in range(3))
    run_of(first, number=4)
    run_of(trial, number=5, is_trial=True)
    run_of(second, number=6)
    evaluation_ready(first, now=NOW)
    evaluation_ready(trial, now=NOW)
    assert sorted(stage for stage, _person, _due in told("evaluation_ready")) == ["run", "trial"]
    evaluation_ready(second, now=NOW + dt.timedelta(hours=1))
    titles = Reminder.objects.filter(state="wanted").values_list("title", flat=True)
    assert sorted(map(str, titles)) == ["Evaluation 6 is ready", "Trial evaluation 5 is ready"]


def test_the_evaluation_of_the_night_is_told_in_the_morning() -> None:
    cooperative = CooperativeFactory()
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=cooperative, role=Role.BREEDER)
    job = asked(None, cooperative)
    run_of(job, number=4)
    evaluation_ready(job, now=dt.datetime(2026, 6, 8, 1, 30, tzinfo=dt.UTC))
    assert told("evaluation_ready") == [("run", breeder.pk, "2026-06-08 06:00")]
