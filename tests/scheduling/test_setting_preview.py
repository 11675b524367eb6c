"""What another figure would move is shown before it is saved, and is exactly what saving it then moves."""

import datetime as dt
from decimal import Decimal
from unittest import mock

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from scheduling.models import DroneCall, Placement, Plan, Reminder, Season, SeasonSetting
from scheduling.queries.batches import batch_view, batches_with_facts
from scheduling.queries.season import settings_of
from scheduling.services.plan_reminders import reminders_refresh_plan
from scheduling.services.reminders import reminders_refresh_batch, reminders_refresh_cohort
from scheduling.services.season import setting_change
from scheduling.services.setting_preview import SettingPreview, setting_preview
from tests.factories import BenchPlaceFactory, BookingFactory, PlanFactory
from tests.scheduling.world import NOW, TODAY, World


def preview(world: World, key: str, value: str | None) -> SettingPreview:
    number = None if value is None else Decimal(value)
    return setting_preview(world.season, key=key, value=number, by=world.owner, now=NOW, today=TODAY)


def change(world: World, key: str, value: str | None) -> None:
    setting_change(
        Season.objects.get(pk=world.season.pk),
        key=key,
        value=None if value is None else Decimal(value),
        by=world.owner,
        now=NOW,
    )


def live() -> set[tuple[str, int, str, str, dt.datetime]]:
    rows = Reminder.objects.filter(state="wanted")
    return set(rows.values_list("subject_type", "subject_id", "kind", "stage", "due_at"))


@pytest.fixture
def placed(world: World) -> Plan:
    """A batch with a place on 9 June, and drones of one source called for it."""
    batch = world.batch(virgins=2, name="Rowan 1", excluder_on=dt.date(2026, 6, 1))
    source, session = world.source(name="Ling"), world.session()
    booking = BookingFactory(batch=batch, queens=2, state="placed", member=world.member)
    plan: Plan = PlanFactory(season=world.season, state="published", number=1, published_at=NOW)
    Placement.objects.create(plan=plan, booking=booking, session=session, source=source, queens=2, co2_before=2)
    for queen in batch.batch_queens.all():
        BenchPlaceFactory(session=session, position=queen.number, plan=plan, booking=booking, batch_queen=queen)
    DroneCall.objects.create(plan=plan, source=source, session=session, drones=40, volume_tenths=160)
    reminders_refresh_batch(batch, now=NOW)
    reminders_refresh_cohort(source.cohorts.get(), now=NOW)
    reminders_refresh_plan(world.season, now=NOW)
    return plan


def test_steps_that_move_are_shown_with_both_days_and_nothing_is_written(world: World) -> None:
    world.batch(name="Rowan 2", grafted_on=dt.date(2026, 6, 7))
    before = live()

    shown = preview(world, "virgin_age_planned_days", "9")

    (batch,) = shown.batches
    steps = {step.what: (step.before, step.after) for step in batch.steps}
    assert batch.name == "Rowan 2"
    assert steps["Insemination"] == ("Sat 27 June", "Sun 28 June")
    assert steps["First CO2"] == ("Fri 26 June", "Sat 27 June")
    assert "Cage the ripe cells, or move them to the incubator or nucs" not in steps
    assert shown.cohorts == []
    assert (live(), SeasonSetting.objects.count(), AuditEntry.objects.count()) == (before, 0, 0)


def test_cohorts_move_with_the_figures_of_drones(world: World) -> None:
    world.source(name="Ling", comb_in_on=dt.date(2026, 6, 1))

    shown = preview(world, "drone_development_days", "25")

    (cohort,) = shown.cohorts
    steps = {step.what: (step.before, step.after) for step in cohort.steps}
    assert cohort.name == "Ling 1"
    assert steps["Mark or confine the emerging drones"] == ("Thu 25 June", "Fri 26 June")
    assert shown.batches == []


def test_what_is_done_or_long_over_moves_nobody(world: World) -> None:
    world.batch(name="Rowan 1")

    assert preview(world, "confine_before_graft_days", "5").batches == []
    assert preview(world, "queen_sealed_days", "4").batches == []


@pytest.mark.parametrize(
    ("key", "value"),
    [("virgin_age_first_days", "7"), ("co2_first_age_days", "7"), ("drone_age_first_days", "16")],
)
def test_places_that_still_fit_are_not_complained_about(world: World, placed: Plan, key: str, value: str) -> None:
    """8 days old on the day, 7 at the first CO2, drones 16 to 19 days old."""
    if key == "virgin_age_first_days":
        change(world, "virgin_age_best_first_days", value)
    assert preview(world, key, value).misfits == []


def test_places_and_calls_that_stop_fitting_are_named_with_what_would_fit(world: World, placed: Plan) -> None:
    young = world.batch(virgins=1, name="Rowan 2", grafted_on=dt.date(2026, 5, 23), emerged_on=dt.date(2026, 6, 4))
    booking = BookingFactory(batch=young, queens=1, state="placed", member=world.member)
    BenchPlaceFactory(
        session=placed.placements.get().session, position=9, plan=placed, booking=booking,
        batch_queen=young.batch_queens.get(),
    )  # fmt: skip

    queens = preview(world, "virgin_age_first_days", "6")

    assert [(misfit.name, misfit.note.key) for misfit in queens.misfits] == [("Rowan 2", "too_young")]
    assert str(queens.misfits[0].note.help) == "Any day from Wed 10 June to Tue 16 June would suit them."
    assert queens.misfits[0].link == reverse("scheduling:booking", args=[booking.pk])


def test_drones_called_to_a_day_they_would_be_too_young_for_are_named(world: World, placed: Plan) -> None:
    change(world, "drone_age_planned_days", "18")
    shown = preview(world, "drone_age_first_days", "17")

    assert [(misfit.name, misfit.note.key) for misfit in shown.misfits] == [("Ling", "drones_need_reason")]
    assert "Ling 1 is 16 to 19 days old" in str(shown.misfits[0].note.text)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("co2_spacing_hours", "30"),
        ("drone_catch_lead_days", "0"),
        ("virgin_age_first_days", "6"),
        ("drone_age_last_days", "30"),
        ("usable_share", "0.4"),
    ],
)
def test_reminders_that_move_are_exactly_those_that_saving_moves(
    world: World, placed: Plan, key: str, value: str
) -> None:
    world.batch(name="Rowan 3", grafted_on=dt.date(2026, 6, 7))
    for batch in world.season.batches.all():
        reminders_refresh_batch(batch, now=NOW)
    before = live()

    shown = preview(world, key, value)
    assert live() == before
    change(world, key, value)

    after = live()
    gone, come = {row[:4] for row in before - after}, {row[:4] for row in after - before}
    assert (shown.reminders.moved, shown.reminders.new, shown.reminders.dropped) == (
        len(gone & come),
        len(come - gone),
        len(gone - come),
    )


def test_reminders_of_a_published_plan_follow_the_figures(world: World, placed: Plan) -> None:
    """First CO2 24 h before the bench; with 30 h it moves by 6 hours."""
    first = Reminder.objects.get(kind="first_co2", state="wanted")
    change(world, "co2_spacing_hours", "30")

    moved = Reminder.objects.get(kind="first_co2", state="wanted")
    assert first.due_at - moved.due_at == dt.timedelta(hours=6)
    first.refresh_from_db()
    assert (first.state, first.replaced_by) == ("superseded", moved)


def test_a_figure_that_cannot_be_is_refused_before_anything_is_worked_out(world: World) -> None:
    with pytest.raises(Refusal, match="outside"):
        preview(world, "virgin_age_last_days", "30")
    assert not SeasonSetting.objects.exists()


def test_going_back_to_the_default_is_shown_too(world: World) -> None:
    world.batch(name="Rowan 2", grafted_on=dt.date(2026, 6, 7))
    change(world, "virgin_age_planned_days", "9")
    world.season.refresh_from_db()

    shown = preview(world, "virgin_age_planned_days", None)

    steps = {step.what: (step.before, step.after) for step in shown.batches[0].steps}
    assert steps["Insemination"] == ("Sun 28 June", "Sat 27 June")
    assert settings_of(world.season).virgin_age_planned_days == 9


# -- the page ---------------------------------------------------------------------------------------------------------


def page_of(world: World, data: dict[str, str], key: str = "virgin_age_planned_days", *, follow: bool = False) -> str:
    client = Client()
    client.force_login(world.coordinator())
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        address = reverse("scheduling:setting", args=[world.season.pk, key])
        return client.post(address, data, follow=follow).content.decode()


def test_the_page_shows_first_and_saves_second(world: World) -> None:
    batch = world.batch(name="Rowan 2", grafted_on=dt.date(2026, 6, 7))
    shown = page_of(world, {"value": "9", "reason": "own trials"})
    assert "Rowan 2" in shown
    assert "Sun 28 June" in shown
    assert 'value="own trials"' in shown
    assert not SeasonSetting.objects.exists()

    saved = page_of(world, {"value": "9", "reason": "own trials", "save": "1"}, follow=True)
    assert "is 9 days now. All dates follow." in saved
    assert SeasonSetting.objects.get().reason == "own trials"
    view = batch_view(batches_with_facts(world.season.batches.filter(pk=batch.pk))[0], today=TODAY)
    assert view.calendar.window.best_on == dt.date(2026, 6, 28)


def test_a_figure_that_moves_nothing_is_used_at_once(world: World) -> None:
    assert "is 0.4 share now. Nothing on record moves." in page_of(
        world, {"value": "0,4", "reason": ""}, "usable_share", follow=True
    )
    assert SeasonSetting.objects.get().value == Decimal("0.4")


def test_back_to_the_default_shows_first_and_saves_second(world: World) -> None:
    world.batch(name="Rowan 2", grafted_on=dt.date(2026, 6, 7))
    change(world, "virgin_age_planned_days", "9")
    shown = page_of(world, {"value": "9", "default": "1"})
    assert "Sat 27 June" in shown
    assert SeasonSetting.objects.exists()
    saved = page_of(world, {"default": "1", "save": "1", "reason": ""}, follow=True)
    assert "is back at its default." in saved
    assert not SeasonSetting.objects.exists()
