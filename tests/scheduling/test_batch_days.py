"""Days of single queens: several emergences, the queen furthest behind, her own card, what may still begin."""

import datetime as dt
from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from accounts.access import Viewer
from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import Queen
from scheduling.models import BatchQueen, QueenBatch, Reminder
from scheduling.planning.timing import BatchState, Co2Way, elapsed_after
from scheduling.queries.batches import BatchView, batch_view, batches_with_facts
from scheduling.queries.bookings import misfits_of
from scheduling.queries.events import events_of_batch
from scheduling.queries.still import still_page
from scheduling.services.batch_emergences import batch_emergence
from scheduling.services.batch_queens import batch_queen_lost
from scheduling.services.batches import batch_eggs_seen, batch_emerged
from scheduling.services.checks import check_record
from tests.factories import BenchPlaceFactory, BookingFactory, MemberPersonFactory, PlanFactory
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import NOW, TODAY, World, make_world

pytestmark = pytest.mark.django_db
DAY = dt.date
JUNE = {day: dt.date(2026, 6, day) for day in range(1, 31)}
LATER = NOW + dt.timedelta(days=10)


def fresh(batch: QueenBatch) -> QueenBatch:
    return batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))[0]


def view_of(batch: QueenBatch, today: dt.date = TODAY) -> BatchView:
    return batch_view(fresh(batch), today=today)


def emerged(batch: QueenBatch) -> list[tuple[int, dt.date | None]]:
    return list(batch.batch_queens.order_by("number").values_list("number", "queen__emerged_on"))


def due(batch: QueenBatch) -> dict[str, dt.datetime]:
    rows = Reminder.objects.filter(subject_type="scheduling.queenbatch", subject_id=batch.pk, state="wanted")
    return {f"{row.kind} {row.stage}": row.due_at for row in rows}


# -- several emergences -----------------------------------------------------------------------------------------------


def test_virgins_of_a_second_day_keep_their_own_age(world: World) -> None:
    batch = world.batch(virgins=2)
    batch_emergence(batch, emerged_on=JUNE[3], virgins=3, by=world.owner, now=NOW)

    batch.refresh_from_db()
    assert (batch.emerged_on, batch.virgins_emerged) == (JUNE[1], 5)
    assert emerged(batch) == [(1, JUNE[1]), (2, JUNE[1]), (3, JUNE[3]), (4, JUNE[3]), (5, JUNE[3])]
    calendar = view_of(batch).calendar
    assert [(window.emerged_first_on, window.virgins, window.opens_on) for window in calendar.windows] == [
        (JUNE[1], 2, JUNE[6]),
        (JUNE[3], 3, JUNE[8]),
    ]
    assert (calendar.window.opens_on, calendar.window.last_on) == (JUNE[8], JUNE[13])
    entry = AuditEntry.objects.filter(action="batch.emerged").get()
    assert entry.after == {"emerged_on": "2026-06-03", "virgins": 3}


def test_the_number_of_one_day_is_corrected_and_others_stay(world: World) -> None:
    batch = world.batch(virgins=2)
    for virgins in (3, 1, 1):
        batch_emergence(batch, emerged_on=JUNE[3], virgins=virgins, by=world.owner, now=NOW)
    assert emerged(batch) == [(1, JUNE[1]), (2, JUNE[1]), (3, JUNE[3])]
    batch_emergence(batch, emerged_on=JUNE[3], virgins=0, by=world.owner, now=NOW)
    assert emerged(batch) == [(1, JUNE[1]), (2, JUNE[1])]
    assert AuditEntry.objects.filter(action="batch.emerged.correct").count() == 2


def test_an_earlier_day_becomes_the_day_of_the_batch_and_a_lost_one_is_forgotten(world: World) -> None:
    batch = world.batch(virgins=2, emerged_on=JUNE[2])
    batch_emergence(batch, emerged_on=JUNE[1], virgins=1, by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert batch.emerged_on == JUNE[1]
    batch_emergence(batch, emerged_on=JUNE[1], virgins=0, by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert batch.emerged_on == JUNE[2]


@pytest.mark.parametrize(
    ("day", "virgins", "rule"),
    [
        (JUNE[9], 1, "observed_not_future"),
        (DAY(2026, 5, 19), 1, "dates_in_order"),
        (JUNE[1], 0, "first_emergence"),
        (JUNE[3], 501, ""),
    ],
)
def test_a_second_day_that_cannot_be_is_refused_and_nothing_is_written(
    world: World, day: dt.date, virgins: int, rule: str
) -> None:
    batch = world.batch(virgins=2)
    with pytest.raises(Refusal) as refused:
        batch_emergence(batch, emerged_on=day, virgins=virgins, by=world.owner, now=NOW)
    assert (refused.value.rule or "") == rule
    batch.refresh_from_db()
    assert (batch.emerged_on, batch.virgins_emerged, emerged(batch)) == (JUNE[1], 2, [(1, JUNE[1]), (2, JUNE[1])])
    assert not AuditEntry.objects.exists()


def test_correcting_the_first_day_moves_its_own_queens_only(world: World) -> None:
    batch = world.batch(virgins=2)
    batch_emergence(batch, emerged_on=JUNE[3], virgins=1, by=world.owner, now=NOW)
    batch.refresh_from_db()
    batch_emerged(batch, emerged_on=JUNE[2], virgins=3, by=world.owner, now=NOW)
    assert emerged(batch) == [(1, JUNE[2]), (2, JUNE[2]), (3, JUNE[3])]
    batch.refresh_from_db()
    with pytest.raises(Refusal) as refused:
        batch_emerged(batch, emerged_on=JUNE[4], virgins=3, by=world.owner, now=NOW)
    assert refused.value.rule == "first_emergence"


def test_virgins_of_different_days_that_suit_no_common_day_are_said_and_still_fill_the_places_they_suit(
    world: World,
) -> None:
    batch = world.batch(virgins=2, grafted_on=DAY(2026, 5, 18), emerged_on=DAY(2026, 5, 29))
    BookingFactory(batch=batch, queens=2, state="asked", wished_session=world.session())
    batch_emergence(batch, emerged_on=JUNE[7], virgins=2, by=world.owner, now=NOW)

    view = view_of(batch)
    assert "scattered" in {note.key for note in view.calendar.notes}
    assert misfits_of(view) == []
    batch_queen_lost(batch.batch_queens.get(number=1), reason="fell", lost_on=JUNE[8], by=world.owner, now=NOW)
    assert "Tue 9 June no longer fits" in misfits_of(view_of(batch))[0].what


# -- single queens at the bench and after -----------------------------------------------------------------------------


def test_queens_dosed_hours_apart_are_not_each_others_co2() -> None:
    """Three queens of one batch over six hours: each has one treatment, not three."""
    bench = Bench()
    QueenBatch.objects.update(first_co2_at=None, grafted_on=DAY(2026, 5, 20))
    bench.batch.bookings.get().bench_places.update(co2_before=False)
    lot = bench.lot(tenths=400)
    for index in range(3):
        bench.dose(index, lot)
        bench.queens[index].doses.update(given_at=NOW + dt.timedelta(hours=3 * index))
    view = view_of(bench.batch)

    second = view.calendar.step("second_co2")
    assert second is not None
    assert "co2_missing" in {note.key for note in view.calendar.notes}
    assert second.best_at == elapsed_after(NOW + dt.timedelta(hours=6), 24)
    own = [her.calendar.step("second_co2") for her in view.queen_views]
    assert [step and step.best_at for step in own] == [
        elapsed_after(NOW + dt.timedelta(hours=3 * index), 24) for index in range(3)
    ]


def test_the_batch_waits_for_the_queen_furthest_behind() -> None:
    bench = Bench()
    QueenBatch.objects.update(grafted_on=DAY(2026, 5, 20))
    lot = bench.lot(tenths=400)
    for index in range(3):
        bench.dose(index, lot)
    checked_on = DAY(2026, 6, 17)
    for queen in bench.queens[:2]:
        check_record(queen, checked_on=checked_on, finding="eggs", by=bench.by, now=LATER)

    view = view_of(bench.batch, LATER.date())
    assert view.batch.eggs_seen_on == checked_on
    assert [her.state for her in view.queen_views] == [BatchState.LAYING, BatchState.LAYING, BatchState.INSEMINATED]
    assert view.state == BatchState.INSEMINATED
    stage = f"s{bench.session.pk}"
    assert f"egg_check {stage}n2" in due(bench.batch)
    assert f"excluder_off {stage}" not in due(bench.batch)

    check_record(bench.queens[2], checked_on=checked_on, finding="eggs", by=bench.by, now=LATER)
    assert view_of(bench.batch, LATER.date()).state == BatchState.LAYING
    assert f"egg_check {stage}n2" not in due(bench.batch)
    assert {"excluder_off", "sealed_brood", "decide"} <= {key.split()[0] for key in due(bench.batch)}


def test_sealed_brood_of_every_queen_settles_excluder_brood_and_decision() -> None:
    bench = Bench(queens=2)
    QueenBatch.objects.update(grafted_on=DAY(2026, 5, 20))
    lot = bench.lot(tenths=400)
    for index in range(2):
        bench.dose(index, lot)
    later = NOW + dt.timedelta(days=18)
    for queen in bench.queens:
        check_record(queen, checked_on=later.date(), finding="worker_brood", pattern="solid", by=bench.by, now=later)
    calendar = view_of(bench.batch, later.date()).calendar
    done = {key: calendar.step(key) for key in ("sealed_brood", "decide", "excluder_off")}
    assert {key: step and step.done_on for key, step in done.items()} == dict.fromkeys(done, later.date())
    assert due(bench.batch) == {}


def test_a_lost_queen_is_waited_for_no_more() -> None:
    bench = Bench(queens=2)
    QueenBatch.objects.update(grafted_on=DAY(2026, 5, 20))
    lot = bench.lot(tenths=400)
    for index in range(2):
        bench.dose(index, lot)
    check_record(bench.queens[0], checked_on=DAY(2026, 6, 17), finding="eggs", by=bench.by, now=LATER)
    check_record(bench.queens[1], checked_on=DAY(2026, 6, 17), finding="not_found", by=bench.by, now=LATER)

    view = view_of(bench.batch, LATER.date())
    assert view.state == BatchState.LAYING
    lost = view.queen_views[1]
    assert (lost.next_step, lost.late) == (None, ())


def test_eggs_written_down_for_the_whole_batch_hold_for_all() -> None:
    bench = Bench(queens=2)
    QueenBatch.objects.update(grafted_on=DAY(2026, 5, 20))
    lot = bench.lot(tenths=400)
    for index in range(2):
        bench.dose(index, lot)
    batch_eggs_seen(bench.batch, eggs_seen_on=DAY(2026, 6, 16), by=bench.by, now=LATER)

    assert view_of(bench.batch, LATER.date()).state == BatchState.LAYING


def test_the_side_of_the_other_co2_is_that_of_the_places(world: World) -> None:
    batch = world.batch(virgins=2)
    booking, session = BookingFactory(batch=batch, queens=2, state="placed"), world.session()
    plan = PlanFactory(season=world.season)
    places = [
        BenchPlaceFactory(session=session, booking=booking, plan=plan, batch_queen=queen)
        for queen in batch.batch_queens.order_by("number")
    ]
    assert events_of_batch(fresh(batch)).co2_way is Co2Way.BEFORE
    type(places[0]).objects.filter(pk=places[0].pk).update(co2_before=False)
    view = view_of(batch)
    assert view.events.co2_way is Co2Way.BOTH
    assert [her.events.co2_way for her in view.queen_views] == [Co2Way.AFTER, Co2Way.BEFORE]
    assert [her.calendar.step("first_co2") is None for her in view.queen_views] == [True, False]


def test_a_place_that_was_not_used_is_no_place_any_more(world: World) -> None:
    batch = world.batch(virgins=1)
    booking = BookingFactory(batch=batch, queens=1, state="placed")
    BenchPlaceFactory(session=world.session(), booking=booking, plan=PlanFactory(season=world.season), state="not_used")
    assert events_of_batch(fresh(batch)).bench_on is None


def test_excluders_confirmed_queen_by_queen_are_as_good_as_one_for_all(world: World) -> None:
    batch = world.batch(virgins=2)
    BatchQueen.objects.filter(batch=batch, number=1).update(excluder_confirmed_on=JUNE[2])
    assert events_of_batch(fresh(batch)).excluder_on is None
    BatchQueen.objects.filter(batch=batch, number=2).update(excluder_confirmed_on=JUNE[3])
    assert events_of_batch(fresh(batch)).excluder_on == JUNE[3]


# -- pages ------------------------------------------------------------------------------------------------------------


def signed_in(world: World) -> Client:
    client = Client()
    client.force_login(world.owner)
    return client


def test_a_second_emergence_is_entered_on_its_page(world: World) -> None:
    batch = world.batch(virgins=2)
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        page = signed_in(world).post(
            reverse("scheduling:batch_emergence", args=[batch.pk]),
            {"emerged_on": "2026-06-03", "virgins": "1", "version": batch.version},
            follow=True,
        )
    text = page.content.decode()
    assert "1, ready Mon 8 June to Mon 15 June" in text
    assert emerged(batch)[-1] == (3, JUNE[3])


def test_the_card_of_a_queen_shows_her_own_steps(world: World) -> None:
    batch = world.batch(virgins=1, name="Rowan 1")
    batch_emergence(batch, emerged_on=JUNE[3], virgins=1, by=world.owner, now=NOW)
    client = signed_in(world)
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        pages = [
            client.get(reverse("scheduling:batch_queen", args=[queen.pk]))
            for queen in batch.batch_queens.order_by("number")
        ]
    best = [{row.step.key: row.step.best for row in page.context["steps"]} for page in pages]
    assert [steps["bench_time"] for steps in best] == [JUNE[9], JUNE[11]]
    assert "graft" not in best[0]
    assert "(V01, V02, V03, V04, V05)" in pages[0].content.decode()


def test_what_is_late_stands_on_the_card_with_what_to_do(world: World) -> None:
    batch = world.batch(virgins=2)
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        text = signed_in(world).get(reverse("scheduling:batch", args=[batch.pk])).content.decode()
    assert "Late: excluder not confirmed" in text
    assert "Virgins that may have flown are not for the bench" in text


def test_what_is_late_of_a_comb_stands_on_its_card(world: World) -> None:
    cohort = world.source(drones=None).cohorts.get()
    with mock.patch("accounts.http.timezone.now", return_value=dt.datetime(2026, 5, 29, 8, tzinfo=dt.UTC)):
        text = signed_in(world).get(reverse("scheduling:cohort", args=[cohort.pk])).content.decode()
    assert "Late: count the capped drone brood" in text


def test_can_i_still_answers_for_the_day_that_is_asked(world: World) -> None:
    world.batch(virgins=2, name="Rowan 1")
    world.source(name="Ling")
    world.source(name="Fell", hold_since=JUNE[3], hold_reason="chalk brood")
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        client = signed_in(world)
        page = client.get(reverse("scheduling:still"), {"day": "2026-06-09"}).content.decode()
        bad = client.get(reverse("scheduling:still"), {"day": "soon"})
        without = client.get(reverse("scheduling:still"), {"who": "all"})
    assert "Queens of the right age that day: Rowan 1. Ripe drones that day: Ling 1." in page
    assert "source on health hold" in page
    assert "Tue 9 June can still be reached" in page
    assert bad.status_code == 200
    assert bad.context["form"].errors
    assert "This field is required" not in without.content.decode()


def test_what_serves_on_the_day_stands_first_and_the_rest_on_other_pages(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduling.views.still.ROWS_PER_PAGE", 1)
    late = world.batch(virgins=2, name="Ash")
    Queen.objects.filter(batch_queen__batch=late).update(emerged_on=JUNE[8])
    world.batch(virgins=2, name="Rowan")
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        client = signed_in(world)
        first = client.get(reverse("scheduling:still"), {"day": "2026-06-09"})
        second = client.get(reverse("scheduling:still"), {"day": "2026-06-09", "queens_page": "2"})
    assert [str(row.thing) for row in first.context["queens"]] == ["Rowan"]
    assert [(str(row.thing), row.fit) for row in second.context["queens"]] == [("Ash", "too_young")]
    assert "day=2026-06-09&amp;queens_page=2" in first.content.decode()


@pytest.mark.parametrize(("everyone", "names"), [(False, ["Mine"]), (True, ["Mine", "Theirs"])])
def test_own_batches_are_asked_about_first(world: World, everyone: bool, names: list[str]) -> None:
    world.batch(name="Mine")
    world.batch(name="Theirs", member=world.other_member())
    other = make_world()
    other.batch(name="Strange")
    viewer = Viewer(
        person=world.owner, cooperative=world.cooperative, member_ids=frozenset({world.member.pk}), roles=frozenset()
    )
    page = still_page(viewer, world.season, today=TODAY, day=JUNE[9], everyone=everyone)
    assert sorted(str(row.batch.batch) for row in page.queens) == names


def test_without_a_day_the_first_bench_day_that_a_comb_put_in_today_can_serve_is_asked_about(world: World) -> None:
    viewer = Viewer(
        person=world.owner, cooperative=world.cooperative, member_ids=frozenset({world.member.pk}), roles=frozenset()
    )
    assert still_page(viewer, world.season, today=TODAY).day == DAY(2026, 7, 19)
    world.session()
    assert still_page(viewer, world.season, today=TODAY).day == JUNE[9]
    world.session(DAY(2026, 7, 25))
    assert still_page(viewer, world.season, today=TODAY).day == DAY(2026, 7, 25)


def test_a_plan_shows_whether_it_can_still_be_done_before_it_is_saved(world: World) -> None:
    data = {
        "member": world.member.pk,
        "mother": world.mother().label,
        "name": "Rowan 9",
        "wanted_bench_on": "2026-06-28",
    }
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        page = signed_in(world).post(reverse("scheduling:batch_add"), data).content.decode()
    assert "Too late for new drones: the last comb for Sun 28 June was Wed 20 May." in page
    assert "Graft on Mon 8 June, by Thu 11 June at the latest." in page
    assert not QueenBatch.objects.exists()


def test_a_stranger_of_the_cooperative_sees_a_queen_but_changes_nothing(world: World) -> None:
    batch = world.batch(virgins=1)
    colleague = world.person(member=world.other_member())
    client = Client()
    client.force_login(colleague)
    assert MemberPersonFactory._meta.model.objects.filter(person=colleague).exists()
    queen = batch.batch_queens.get()
    page = client.get(reverse("scheduling:batch_queen", args=[queen.pk]))
    assert page.status_code == 200
    assert reverse("scheduling:batch_queen_nuc", args=[queen.pk]) not in page.content.decode()
