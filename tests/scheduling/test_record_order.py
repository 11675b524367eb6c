"""Days that cannot be are refused with both days, wherever they are written; what stands on record anyhow is shown."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.services.queens import queen_correct
from scheduling.models import BatchQueen, Co2Treatment, Dose, DroneCohort, QueenBatch
from scheduling.queries.batches import batch_view, batches_with_facts
from scheduling.services.batch_emergences import batch_emergence
from scheduling.services.batch_queens import batch_queen_nuc
from scheduling.services.batches import batch_emerged, batch_excluder, batch_observe, batch_sealed, batch_started
from scheduling.services.bench_queens import co2_start, dose_give
from scheduling.services.cohorts import cohort_observe, count_record
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import NOW, TODAY, World

pytestmark = pytest.mark.django_db
DAY = dt.date
BEFORE_GRAFT = DAY(2026, 5, 19)


@pytest.mark.parametrize(
    ("step", "values", "field"),
    [
        ("started", {"counted_on": BEFORE_GRAFT, "cells_started": 5}, "counted_on"),
        ("sealed", {"sealed_on": BEFORE_GRAFT}, "sealed_on"),
        ("caged", {"caged_on": BEFORE_GRAFT}, "caged_on"),
        ("excluder", {"excluder_on": BEFORE_GRAFT}, "excluder_on"),
        ("eggs", {"eggs_seen_on": BEFORE_GRAFT}, "eggs_seen_on"),
        ("confined", {"confined_on": DAY(2026, 5, 21)}, "confined_on"),
    ],
)
def test_a_step_of_a_batch_on_the_wrong_side_of_the_graft_is_refused(
    world: World, step: str, values: dict[str, object], field: str
) -> None:
    batch = world.batch()
    with pytest.raises(Refusal) as refused:
        batch_observe(batch, step=step, values=values, by=world.owner, now=NOW)
    assert (refused.value.rule, refused.value.field) == ("dates_in_order", field)
    assert "the graft on Wed 20 May" in refused.value.text
    assert "Both cannot be so" in refused.value.text
    assert not AuditEntry.objects.exists()


def test_an_emergence_corrected_past_a_dose_is_refused_and_nothing_is_written() -> None:
    bench = Bench()
    bench.dose(0, bench.lot())
    with pytest.raises(Refusal) as refused:
        batch_emerged(bench.batch, emerged_on=DAY(2026, 6, 10), virgins=3, by=bench.by, now=NOW + dt.timedelta(days=2))
    assert (refused.value.rule, refused.value.field) == ("dates_in_order", "emerged_on")
    assert "CO2 on Mon 8 June, before the first emergence on Wed 10 June" in refused.value.text
    days = BatchQueen.objects.filter(batch=bench.batch).values_list("queen__emerged_on", flat=True)
    assert set(days) == {DAY(2026, 6, 1)}


def test_gas_and_dose_for_a_virgin_who_has_not_emerged_by_the_record_are_refused() -> None:
    bench = Bench()
    lot = bench.lot()
    queen_correct(bench.queens[0].queen, emerged_on=DAY(2026, 6, 11), by=bench.by, now=NOW + dt.timedelta(days=3))
    for act in (
        lambda: dose_give(bench.places[0], lot=lot, volume_tenths=80, override_reason="x", by=bench.by, now=NOW),
        lambda: co2_start(bench.session, batch_queen=bench.queens[0], with_insemination=True, by=bench.by, now=NOW),
    ):
        with pytest.raises(Refusal) as refused:
            act()
        assert refused.value.rule == "before_emergence"
        assert "emerged on Thu 11 June by the record" in refused.value.text
    assert (Dose.objects.count(), Co2Treatment.objects.count()) == (0, 0)


def test_an_excluder_at_one_nuc_before_the_graft_is_refused(world: World) -> None:
    batch = world.batch(virgins=1)
    with pytest.raises(Refusal) as refused:
        batch_queen_nuc(batch.batch_queens.get(), nuc="N1", excluder_confirmed_on=BEFORE_GRAFT, by=world.owner, now=NOW)
    assert (refused.value.rule, refused.value.field) == ("dates_in_order", "excluder_confirmed_on")
    assert batch.batch_queens.get().nuc == ""


def test_what_was_wrong_before_does_not_stop_other_entries(world: World) -> None:
    """A wrong day that came in another way is said on the card; the count of cells can still be written down."""
    batch = world.batch(virgins=1, caged_on=BEFORE_GRAFT)
    BatchQueen.objects.update(excluder_confirmed_on=BEFORE_GRAFT)
    view = batch_view(batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))[0], today=TODAY)
    assert {note.key for note in view.calendar.notes} >= {"order_caged_on", "order_excluder_on"}
    with pytest.raises(Refusal) as refused:
        batch_sealed(batch, sealed_on=BEFORE_GRAFT, by=world.owner, now=NOW)
    assert refused.value.field == "sealed_on"
    batch_started(batch, counted_on=DAY(2026, 5, 21), cells=10, by=world.owner, now=NOW)
    batch.refresh_from_db()
    assert batch.counted_on == DAY(2026, 5, 21)


def test_a_card_with_days_that_cannot_be_opens_and_says_so(world: World, client: Client) -> None:
    batch = world.batch(virgins=2, sealed_on=DAY(2026, 5, 25))
    queen = batch.batch_queens.get(number=1)
    queen_correct(queen.queen, emerged_on=DAY(2026, 5, 22), by=world.owner, now=NOW)
    client.force_login(world.owner)
    for link in (
        reverse("scheduling:batch", args=[batch.pk]),
        reverse("scheduling:batch_queen", args=[queen.pk]),
        reverse("scheduling:batches"),
        reverse("today"),
    ):
        page = client.get(link)
        assert page.status_code == 200
    page = client.get(reverse("scheduling:batch", args=[batch.pk]))
    text = " ".join(page.content.decode().split())
    assert "the first emergence on Fri 22 May, before the sealing of the cells on Mon 25 May" in text


def test_a_second_emergence_before_the_sealing_is_refused(world: World) -> None:
    batch = world.batch(virgins=2, sealed_on=DAY(2026, 5, 25))
    with pytest.raises(Refusal) as refused:
        batch_emergence(batch, emerged_on=DAY(2026, 5, 24), virgins=1, by=world.owner, now=NOW)
    assert refused.value.rule == "dates_in_order"
    batch_excluder(batch, excluder_on=DAY(2026, 6, 1), by=world.owner, now=NOW)


@pytest.mark.parametrize(
    ("step", "day", "named"),
    [
        ("laid_on", DAY(2026, 4, 26), "the drone comb on Mon 27 April"),
        ("marked_on", DAY(2026, 4, 26), "the first capped cells on Fri 8 May"),
        ("ended_on", DAY(2026, 4, 26), "the first capped cells on Fri 8 May"),
        ("comb_in_on", DAY(2026, 5, 12), "the drone comb on Tue 12 May"),
    ],
)
def test_a_step_of_a_cohort_on_the_wrong_side_of_another_is_refused(
    world: World, step: str, day: dt.date, named: str
) -> None:
    cohort = DroneCohort.objects.get(source=world.source(drones=None))
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 11), number=900, by=world.owner, now=NOW)
    cohort_observe(cohort, step="capped_on", day=DAY(2026, 5, 8), by=world.owner, now=NOW)
    with pytest.raises(Refusal) as refused:
        cohort_observe(cohort, step=step, day=day, by=world.owner, now=NOW)
    assert (refused.value.rule, refused.value.field in {step, "capped_on"}) == ("dates_in_order", True)
    assert named in refused.value.text


def test_a_count_that_comes_to_lie_before_the_comb_is_refused(world: World) -> None:
    cohort = DroneCohort.objects.get(source=world.source(drones=None))
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 11), number=900, by=world.owner, now=NOW)
    with pytest.raises(Refusal) as refused:
        cohort_observe(cohort, step="comb_in_on", day=DAY(2026, 5, 12), by=world.owner, now=NOW)
    assert "the count of capped brood on Mon 11 May, before the drone comb on Tue 12 May" in refused.value.text
    cohort.refresh_from_db()
    assert cohort.comb_in_on == DAY(2026, 4, 27)
