"""Scripts switched off: requests, plan and bench are plain forms. Only keeping taps without a network needs scripts."""

import pytest

from accounts.models import Job
from accounts.services.jobs import job_run
from scheduling.models import BenchPlace, Booking, DroneTally, Plan, SemenLot
from tests.browser import at_home, at_the_bench
from tests.browser.conftest import Open, day
from tests.browser.test_refusals import season
from tests.browser.world import JourneyWorld, day_opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_from_a_request_to_the_closed_bench(world: JourneyWorld, seat: Open) -> None:
    batch, source = season(world)
    early, late = day_opened(world, day(20), places=6), day_opened(world, day(21), places=6)

    mirel = seat("member1@example.org", javascript=False)
    booking = at_home.book(mirel, batch=batch, sources=[source], session=early.pk, queens=3, said=at_home.PREDICTED[1:])
    assert (booking.queens, booking.state) == (3, "asked")

    world.clock.to(12)
    at_home.record_step(mirel, batch, "emerged", emerged_on=day(12), virgins_emerged=5)
    assert batch.batch_queens.count() == 5
    world.clock.to(13)
    karin = seat("coordinator@example.org", javascript=False)
    plan = at_the_bench.ask_for_plan(karin)
    assert job_run(Job.objects.latest("pk").pk, now=world.clock.now)
    placement = plan.placements.get()
    at_the_bench.move(karin, placement, to=late, queens=1)
    karin.sees("moved to")
    at_the_bench.publish(karin, plan)
    assert Plan.objects.get(state="published").placements.count() == 2
    assert Booking.objects.get().state == "placed"

    world.clock.now = early.starts_at
    lene = seat("operator@example.org", javascript=False)
    lene.goto("scheduling:bench_session", early.pk)
    lene.press("Start the session")
    lene.sees("cautions")
    lene.fill(cautions_read=True)
    lene.press("Start the session")
    opening = lene.page.locator("form[action$='/lots/open/']")
    opening.locator("select[name=source]").select_option(str(source.pk))
    opening.locator("input[name=tip]").fill("T1")
    opening.get_by_role("button", name="Open the lot").click()
    lot = SemenLot.objects.get()
    for _ in range(2):
        lene.page.locator(".tap.semen").click()
    reading = lene.page.locator("form[action$='/reading/']")
    reading.locator("[name=volume]").fill("9,5")
    reading.get_by_role("button", name="Set").click()
    lene.press("Start CO2")
    world.clock.forward(minutes=4)
    lene.press("Stop CO2")
    at_the_bench.inseminate(lene, volume="8,0", reason="Gas given at home")
    lene.sees("1 of 2")
    rest = BenchPlace.objects.filter(session=early, doses__isnull=True).get()
    at_the_bench.set_aside(lene, rest, reason="Lame on one leg")
    world.clock.forward(hours=2)
    at_the_bench.end(lene, early, reason_for_rest="Rinsed out of the tip")
    lene.sees_heading("is closed")
    assert list(DroneTally.objects.values_list("lot", "outcome", "drones")) == [(lot.pk, "usable", 1)] * 2
    dosed = batch.batch_queens.get(doses__isnull=False)
    assert (dosed.queen.mating.total_tenths, dosed.state) == (80, "inseminated")
