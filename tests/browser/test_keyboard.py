"""From a request to an inseminated queen by the keyboard alone: no click, no drag, nothing out of reach of Tab."""

import pytest
from playwright.sync_api import Browser, expect

from accounts.models import Job
from accounts.services.jobs import job_run
from scheduling.models import BenchPlace, Booking, DroneTally, Plan, SemenLot
from scheduling.services.batches import batch_emerged
from tests.browser import at_home, at_the_bench
from tests.browser.conftest import Open, day
from tests.browser.keys import KeySeat
from tests.browser.test_refusals import season
from tests.browser.world import JourneyWorld, day_opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def with_keys(seat: Open, email: str) -> KeySeat:
    one = seat(email, kind=KeySeat)
    assert isinstance(one, KeySeat)
    return one


def test_book_plan_publish_bench(world: JourneyWorld, seat: Open, browser: Browser) -> None:
    batch, source = season(world)
    early, late = day_opened(world, day(20), places=6), day_opened(world, day(21), places=6)

    mirel = with_keys(seat, "member1@example.org")
    mirel.follow("Book a place")
    at_home.book(mirel, batch=batch, sources=[source], session=early.pk, queens=4, said=at_home.PREDICTED[1:])
    assert Booking.objects.get().queens == 4

    world.clock.to(12)
    batch_emerged(batch, emerged_on=day(12), virgins=6, by=world.keepers[0], now=world.clock.now)
    world.clock.to(13)
    karin = with_keys(seat, "coordinator@example.org")
    karin.follow("Plan board")
    karin.press("Work out a plan")
    karin.sees("being worked out")
    karin.rest()
    assert job_run(Job.objects.latest("pk").pk, now=world.clock.now)
    plan = Plan.objects.get()
    karin.goto("scheduling:board")
    placement = plan.placements.get()
    assert (placement.session, placement.queens) == (early, 4)
    karin.open("Move…")
    karin.follow("Move to")
    karin.page.wait_for_url("**/move/**")
    karin.fill(session=late.pk, queens=2)
    karin.send()
    karin.sees("moved to")
    karin.follow("Publish")
    karin.page.wait_for_url("**/publish/")
    karin.press("Publish plan")
    karin.page.wait_for_url("**/plan/*/")
    assert sorted(plan.placements.values_list("session__day", "queens")) == [(early.day, 2), (late.day, 2)]

    world.clock.now = early.starts_at
    lene = with_keys(seat, "operator@example.org")
    lene.goto("scheduling:bench_session", early.pk)
    lene.fill(cautions_read=True)
    lene.press("Start the session")
    at_the_bench.ready(lene)
    lene.put("form[action$='/lots/open/'] [name=source]", source.pk)
    lene.put("form[action$='/lots/open/'] [name=tip]", "T1")
    lene.press("Open the lot")
    at_the_bench.sent(lene)
    lene.page.keyboard.press("Escape")
    lene.page.evaluate("document.activeElement.blur()")  # as after the first pedal: no field holds the keys
    for number in (1, 2, 3):
        lene.page.keyboard.press("Space")
        expect(lene.page.locator("[data-part=usable]")).to_have_text(str(number))
    lene.page.keyboard.press("KeyL")
    lene.page.keyboard.type("10")
    lene.page.keyboard.press("Enter")
    at_the_bench.sent(lene)
    lene.put("#dose-form [name=volume]", "8")
    lene.press("Inseminated, next queen")
    lene.sees("Her first CO2 is not on record")
    lene.put("#dose-form [name=override_reason]", "Gas given at home")
    lene.press("Inseminated, next queen")
    lene.sees("1 of 2")
    at_the_bench.sent(lene)
    assert sum(DroneTally.objects.filter(outcome="usable").values_list("drones", flat=True)) == 3
    dosed = BenchPlace.objects.get(session=early, doses__isnull=False)
    assert [(dose.volume_tenths, dose.lot) for dose in dosed.doses.all()] == [(80, SemenLot.objects.get())]
