"""Every kind of reminder comes of what people really do, with its words, its time of use and its ladder.

Nothing is written into the tables of reminders here: each scene calls the services that the pages call.
"""

import datetime as dt
from collections.abc import Callable, Iterable

import pytest
from django.test import Client

from accounts.models import Job, Person, Role, Webhook
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from accounts.services.webhooks import webhook_test
from accounts.webhooks import secret_make
from breeding.services.variances.asking import estimate_ask
from scheduling.models import QueenBatch, Reminder
from scheduling.planning.timing import To
from scheduling.queries.lots import lot_view
from scheduling.queries.tellings import circles_of, ladder_of, reminders_to_tell
from scheduling.reminder_kinds import KINDS, SUMMARY, WEBHOOK_OFF
from scheduling.services.batches import batch_add, batch_eggs_seen
from scheduling.services.bench_session import session_close
from scheduling.services.channels.message import when_words
from scheduling.services.cohorts import cohort_add
from scheduling.services.delivery import deliver_due
from scheduling.services.lots import lot_take_out
from scheduling.services.offers import standby_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_sketch_from, plan_take_out
from scheduling.services.sources import source_edit
from scheduling.services.summary import summaries_write
from scheduling.services.telling_wishes import telling_times_set
from scheduling.services.trace import trace_tell
from tests.breeding.test_evaluation import small
from tests.factories import NOW, MemberPersonFactory, PersonFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_bench import Bench
from tests.scheduling.test_plan_told import Published
from tests.scheduling.world import World

__all__ = ["small"]
pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)
CRITICAL_WORK = {
    "cage_cells",
    "excluder_on",
    "excluder_alarm",
    "first_co2",
    "catch_drones",
    "bench_time",
    "second_co2",
    "third_co2",
}


def a_batch_planned_from_a_bench_day(world: World) -> None:
    batch_add(
        world.season,
        member=world.member,
        mother=world.mother(),
        name="Rowan 1",
        wanted_bench_on=dt.date(2026, 7, 10),
        by=world.owner,
        now=NOW,
    )


def a_comb_promised(world: World) -> None:
    cohort_add(world.source(comb_in_on=None), promised_comb_on=dt.date(2026, 6, 12), by=world.owner, now=NOW)


def a_certificate_entered(world: World) -> None:
    source_edit(
        world.source(),
        name="Ling",
        apiary=None,
        health_certificate="7",
        health_valid_until=dt.date(2026, 7, 20),
        note="",
        by=world.owner,
        now=NOW,
    )


def a_plan_published(_world: World) -> None:
    Published()


def another_plan_published(_world: World) -> None:
    """Rowan moves to the other day, Alder loses its places; nobody comes on the first day any more."""
    world = Published()
    deliver_due(now=NOW + 2 * DAY, send=lambda _row: None)  # whoever was told of a call hears that it is off
    sketch = plan_sketch_from(world.plan, by=world.by, now=NOW)
    for placement in sketch.placements.filter(booking=world.alder):
        plan_take_out(sketch, placement=placement, by=world.by, now=NOW)
    world.move(sketch, queens=5)
    plan_publish(sketch, by=world.by, now=NOW)


def a_plan_worked_out(_world: World) -> None:
    world = PlanWorld()
    world.ask("Rowan 1")
    world.work_out()


def places_that_became_free(_world: World) -> None:
    world = PlanWorld(places=5, days=(12,))
    first, waits = world.ask("Rowan 1"), world.ask("Alder 1", minutes=1)
    plan = world.publish()
    sketch = plan_sketch_from(plan, by=world.by, now=NOW)
    given = {placement.booking_id for placement in sketch.placements.all()}
    gone = first if first.pk in given else waits
    for placement in sketch.placements.filter(booking=gone):
        plan_take_out(sketch, placement=placement, by=world.by, now=NOW)
    plan_publish(sketch, by=world.by, now=NOW)
    standby_ask(world.season, now=NOW)
    assert world.run_standby()


def a_day_at_the_bench(_world: World) -> None:
    """Without CO2 before it, so that the second one and, without eggs, a third are due."""
    bench = Bench(queens=2)
    QueenBatch.objects.filter(pk=bench.batch.pk).update(first_co2_at=None)
    lot = bench.lot()
    for index in range(2):
        bench.dose(index, lot, override_reason="The gas ran out")
    lot_take_out(lot, kind="stored", volume_tenths=lot_view(lot).left, reason="14 °C", by=bench.by, now=NOW)
    RoleGrantFactory(person=PersonFactory(), cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    MemberPersonFactory(member=bench.batch.member)
    session_close(bench.session, by=bench.by, now=NOW)
    trace_tell(bench.source, words="Its mother is sick", by=bench.by, now=NOW)


def eggs_seen(world: World) -> None:
    a_day_at_the_bench(world)
    batch = QueenBatch.objects.get()
    batch_eggs_seen(batch, eggs_seen_on=NOW.date() + 8 * DAY, by=world.owner, now=NOW + 8 * DAY)


def something_nobody_was_told_of_in_time(world: World) -> None:
    """Nothing ran for three weeks."""
    RoleGrantFactory(person=world.owner, cooperative=world.cooperative, role=Role.COORDINATOR)
    a_batch_planned_from_a_bench_day(world)
    deliver_due(now=NOW + 60 * DAY, send=lambda _row: None)


def a_wish_for_one_mail_in_the_morning(world: World) -> None:
    Person.objects.filter(pk=world.owner.pk).update(summary_at=dt.time(7))
    a_batch_planned_from_a_bench_day(world)
    summaries_write(now=NOW)


def an_address_outside_that_was_not_reached_for_days(world: World) -> None:
    by = RoleGrantFactory(cooperative=world.cooperative).person
    webhook = Webhook.objects.create(
        cooperative=world.cooperative,
        name="Chat",
        url="https://127.0.0.1/",  # refused, so nothing is called
        secret=secret_make(),
        made_by=by,
        made_at=NOW - 4 * DAY,
        failing_since=NOW - 4 * DAY,
    )
    with pytest.raises(Refusal, match="It did not get through"):
        webhook_test(webhook, now=NOW)


Scene = Callable[[World], None]
SCENES: list[tuple[Scene, set[str]]] = [
    (
        a_batch_planned_from_a_bench_day,
        {
            "confine_breeder",
            "graft",
            "count_started",
            "cage_cells",
            "report_emergence",
            "excluder_on",
            "excluder_alarm",
        },
    ),
    (a_comb_promised, {"insert_comb", "count_capped", "mark_drones", "count_drones"}),
    (a_certificate_entered, {"health_ends"}),
    (a_plan_published, {"first_co2", "bench_time", "catch_drones", "place_given"}),
    (another_plan_published, {"place_moved", "place_lost", "drones_off"}),
    (a_plan_worked_out, {"plan_ready"}),
    (places_that_became_free, {"place_offered"}),
    (
        a_day_at_the_bench,
        {"keep_still", "second_co2", "third_co2", "egg_check", "decide", "lot_limit", "semen_news"},
    ),
    (eggs_seen, {"sealed_brood", "excluder_off"}),
    (something_nobody_was_told_of_in_time, {"missed_step"}),
    (a_wish_for_one_mail_in_the_morning, {SUMMARY}),
    (an_address_outside_that_was_not_reached_for_days, {WEBHOOK_OFF}),
]
BY_JOBS = {"evaluation_ready", "variances_ready", "import_ready", "run_stopped"}


def test_the_scenes_below_are_of_every_kind_there_is() -> None:
    assert {kind for _scene, kinds in SCENES for kind in kinds} | BY_JOBS == set(KINDS)


@pytest.mark.parametrize(("scene", "kinds"), SCENES, ids=[scene.__name__ for scene, _kinds in SCENES])
def test_what_people_do_writes_reminders_that_hold_together(
    client: Client, world: World, scene: Scene, kinds: set[str]
) -> None:
    scene(world)
    rows = list(reminders_to_tell(Reminder.objects.all()))
    assert kinds <= {row.kind for row in rows}
    for row in rows:
        holds_together(row)
    pages_open(client, [row for row in rows if row.kind in kinds])


def holds_together(row: Reminder) -> None:
    kind = KINDS[row.kind]
    assert str(row.title).strip()
    assert str(row.why).strip() or row.kind == SUMMARY, row.kind
    assert row.link.startswith("/"), row.kind
    assert row.critical == kind.critical
    assert row.due_at <= row.useful_until <= row.due_at + 45 * DAY
    assert (row.member is None) != (row.person is None), "a member's or one person's"
    said = when_words(row, "Europe/Berlin")
    assert said == "" if kind.is_news else said.startswith("Due on ") or "Europe/Berlin (UTC+2)" in said
    rungs = ladder_of(row, circles_of([row]))
    assert [rung.at for rung in rungs] == sorted(rung.at for rung in rungs)
    assert all(rung.at <= row.useful_until for rung in rungs)
    assert any(rung.key == "due" for rung in rungs)
    widest = {rung.to for rung in rungs}
    assert kind.passes_on == (row.kind in CRITICAL_WORK)
    assert (To.DEPUTY in widest) == (kind.passes_on and any(rung.key == "deputy" for rung in rungs)), (
        "only critical work is passed on"
    )


def pages_open(client: Client, rows: Iterable[Reminder]) -> None:
    """The link leads to a page that whoever is told may open."""
    for row in {row.kind: row for row in rows}.values():
        person = row.person
        if person is None:
            assert row.member is not None
            person = row.member.persons.first() or MemberPersonFactory(member=row.member).person
        client.force_login(person)
        assert client.get(row.link, follow=True).status_code == 200, (row.kind, row.link)


def test_critical_work_is_told_before_again_and_to_deputy_and_coordinators_in_time(world: World) -> None:
    """The steps of the reference: two hours and half an hour before, at it, a quarter and three quarters after."""
    a_plan_published(world)
    row = reminders_to_tell(Reminder.objects.filter(kind="bench_time")).first()
    assert row is not None
    minutes = [(rung.at - row.due_at).total_seconds() / 60 for rung in ladder_of(row, circles_of([row]))]
    assert minutes[:5] == [-120, -30, 0, 15, 45]


@pytest.mark.parametrize("minutes", [14, 14 * 24 * 60 + 1])
def test_a_lead_time_has_bounds_for_every_kind_that_is_work(world: World, minutes: int) -> None:
    for kind in KINDS.values():
        with pytest.raises(Refusal) as refused:
            telling_times_set(
                world.owner,
                leads_min={kind.key: minutes},
                quiet_from=None,
                quiet_until=None,
                cooperative=world.cooperative,
                by=world.owner,
                now=NOW,
            )
        assert refused.value.rule == ("lead_kind" if kind.is_news else "lead_bounds")


def test_work_of_the_machine_that_ends_is_told(client: Client, small: Job) -> None:
    """A real evaluation; real variances of so few records, which end without a result."""
    person = small.requested_by
    assert person is not None
    RoleGrantFactory(person=person, cooperative=small.cooperative, role=Role.BREEDER)
    assert job_run(small.pk, now=NOW)
    few = estimate_ask(small.cooperative, by=person, now=NOW)
    assert job_run(few.pk, now=NOW)
    rows = list(reminders_to_tell(Reminder.objects.all()))
    assert {row.kind for row in rows} == {"evaluation_ready", "run_stopped"}
    for row in rows:
        holds_together(row)
    pages_open(client, rows)
