"""What the coordinator and the operator do in the journey. Each function is one visit."""

import datetime as dt

from playwright.sync_api import expect

from accounts.models import Person
from scheduling.models import BenchPlace, BenchSession, Booking, Placement, Plan, SemenLot
from tests.browser.seat import Seat


def add_bench(seat: Seat, name: str) -> None:
    seat.goto("scheduling:bench_add")
    seat.fill(name=name)
    seat.send()
    seat.page.wait_for_url("**/sessions/**")


def open_day(seat: Seat, *, bench: str, day: dt.date, places: int, operator: Person) -> BenchSession:
    seat.goto("scheduling:session_add")
    seat.page.get_by_label("Bench", exact=True).select_option(label=bench)
    seat.fill(day=day, operator=operator.pk, places=places)
    seat.fill(operator_minutes=180, collect_drones=400, co2_capacity=40)
    seat.press("Open for places")
    seat.page.wait_for_url("**/sessions/")
    return BenchSession.objects.get(day=day, bench__name=bench)


def ask_for_plan(seat: Seat) -> Plan:
    seat.goto("scheduling:board")
    seat.page.locator("main form[action*='work-out'] button").first.click()
    seat.sees("being worked out")
    return Plan.objects.latest("pk")


def move(seat: Seat, placement: Placement, *, to: BenchSession, queens: int) -> None:
    seat.goto("scheduling:plan_move", placement.plan_id, placement.booking_id, placement.pk)
    seat.fill(session=to.pk, source=placement.source_id, queens=queens)
    seat.send()


def publish(seat: Seat, plan: Plan) -> None:
    seat.goto("scheduling:plan_publish", plan.pk)
    seat.press("Publish plan")
    expect(seat.page.locator("body")).to_contain_text("Published")


def start(seat: Seat, session: BenchSession) -> None:
    seat.goto("scheduling:bench_session", session.pk)
    seat.press("Start the session")
    seat.sees("cautions")
    seat.fill(cautions_read=True)
    seat.press("Start the session")
    seat.sees("Next")
    ready(seat)


def ready(seat: Seat) -> None:
    """The page keeps taps by itself from here on."""
    seat.page.wait_for_selector("html[data-bench-ready]", state="attached")


def sent(seat: Seat) -> None:
    """Everything that was tapped has arrived."""
    ready(seat)
    box = seat.page.locator("#sent")
    expect(box).to_have_attribute("data-status", "sent")
    expect(box).to_have_attribute("data-unsent", "0")


def open_lot(seat: Seat, session: BenchSession, *, source: int, tip: str) -> SemenLot:
    form = seat.page.locator("form[action$='/lots/open/']")
    form.locator("select[name=source]").select_option(str(source))
    form.locator("input[name=tip]").fill(tip)
    form.get_by_role("button", name="Open the lot").click()
    expect(seat.page.locator("[data-part=lot-label]").first).not_to_have_text("")
    sent(seat)
    return SemenLot.objects.filter(session=session).latest("pk")


def tally(seat: Seat, *, by_key: int, by_tap: int, gave_none: int) -> None:
    """Drones that gave semen: some by the left pedal, some by a tap; then some that gave none."""
    figure = seat.page.locator(".tap.semen .figure")
    seat.page.locator("h1").click()
    for number in range(1, by_key + 1):
        seat.page.keyboard.press("Space")
        expect(figure).to_have_text(str(number))
    for number in range(by_key + 1, by_key + by_tap + 1):
        seat.page.locator(".tap.semen").click()
        expect(figure).to_have_text(str(number))
    none = seat.page.locator("[data-key=KeyN] .figure")
    for number in range(1, gave_none + 1):
        seat.page.keyboard.press("KeyN")
        expect(none).to_have_text(str(number))


def read_syringe(seat: Seat, volume: str) -> None:
    seat.page.locator("h1").click()
    seat.page.keyboard.press("KeyL")
    field = seat.page.locator(".bench-taps input[name=volume]")
    expect(field).to_be_focused()
    field.fill(volume)
    field.press("Enter")
    sent(seat)


def gas(seat: Seat, *, on: bool) -> None:
    seat.page.locator("h1").click()
    seat.page.keyboard.press("KeyC")
    expect(seat.page.locator(f"[data-part=gas-{'on' if on else 'off'}]")).to_be_visible()
    sent(seat)


def inseminate(seat: Seat, *, volume: str, reason: str = "") -> None:
    form = seat.page.locator("#dose-form")
    form.locator("input[name=volume]").fill(volume)
    if reason:
        form.locator("[name=override_reason]").fill(reason)
    seat.page.get_by_role("button", name="Inseminated, next queen").click()


def set_aside(seat: Seat, place: BenchPlace, *, reason: str) -> None:
    seat.goto("scheduling:bench_aside", place.session_id, place.pk)
    seat.fill(reason=reason)
    seat.send()


def end(seat: Seat, session: BenchSession, *, reason_for_rest: str = "") -> None:
    seat.goto("scheduling:bench_close", session.pk)
    seat.fill(reason_for_rest=reason_for_rest)
    seat.press("End the session")


def booking_of(batch_name: str) -> Booking:
    return Booking.objects.get(batch__name=batch_name)
