"""What members do in the journey: stock, scores, batch, drones, booking, checks. Each function is one visit."""

import datetime as dt

from playwright.sync_api import expect

from breeding.models import Colony, Queen
from scheduling.models import Booking, DroneCohort, DroneSource, QueenBatch
from tests.browser.seat import Seat


def add_apiary(seat: Seat, name: str) -> None:
    seat.goto("accounts:apiaries")
    seat.goto("accounts:apiary_add")
    seat.fill(name=name, place="Past the mill, second gate")
    seat.send()
    seat.sees(name)


def add_colony(seat: Seat, *, apiary: str, name: str) -> Colony:
    seat.goto("breeding:colony_add")
    seat.page.get_by_label("Apiary").select_option(label=apiary)
    seat.fill(name=name)
    seat.press("Add the colony")
    seat.page.wait_for_url("**/stock/**")
    return Colony.objects.get(name=name, apiary__name=apiary)


def register_queen(seat: Seat, *, colony: Colony, label: str, mother: Queen, drones_of: Queen, since: dt.date) -> Queen:
    seat.goto("breeding:queen_add", query=f"?colony={colony.pk}")
    seat.fill(label=label, mother=mother.label, birth_year=2025, mark_number="17", since=since)
    seat.fill(kind="dpq", total_tenths="8,5", source_1=drones_of.label, drones_1=9)
    seat.press("Register her")
    seat.page.wait_for_url("**/stock/**")
    return Queen.objects.get(label=label)


SCORES = {
    "honey_yield": {"honey_yield-value": "31,5"},
    "gentleness": {"gentleness-value": "4"},
    "calmness": {"calmness-value": "3.5"},
    "swarming": {"swarming-value": "4"},
    "pin_test": {"pin_test-part": "44", "pin_test-whole": "50"},
}


def enter_scores(seat: Seat, colony: Colony) -> None:
    """One trait a screen, then a look over all of them."""
    seat.goto("breeding:scores", colony.pk)
    seat.page.wait_for_selector("html[data-sheet-ready]", state="attached")
    for _ in range(seat.page.locator("#sheet section[data-step]").count() - 1):
        step = seat.page.locator("#sheet section[data-step]:visible").get_attribute("data-step")
        for name, value in SCORES.get(step or "", {}).items():
            seat.fill_one(name, value)
        seat.page.locator("#sheet [data-go]").click()
    seat.press("Keep the scores")
    seat.page.wait_for_selector(f"html[data-kept='{len(SCORES)}']", state="attached")
    expect(seat.page.locator("#sent")).to_have_attribute("data-unsent", "0", timeout=30_000)
    seat.goto("breeding:colony", colony.pk)


def record_graft(seat: Seat, *, name: str, mother: Queen, cells: int, on: dt.date) -> QueenBatch:
    seat.goto("scheduling:batch_add")
    seat.fill(mother=mother.label, name=name, grafted_on=on, cells_grafted=cells)
    seat.press("Go on")
    seat.page.wait_for_url("**/batches/*/")
    return QueenBatch.objects.get(name=name)


def record_step(seat: Seat, batch: QueenBatch, step: str, **values: object) -> None:
    seat.goto("scheduling:batch_step", batch.pk, step)
    seat.fill(**values)
    seat.send()
    seat.page.wait_for_url(f"**/batches/{batch.pk}/")


def offer_drones(seat: Seat, *, name: str, queen: Queen, comb_in: dt.date, valid_until: dt.date) -> DroneCohort:
    seat.goto("scheduling:source_add")
    seat.fill(drone_queen=queen.label, name=name, health_certificate="Seen by the vet", health_valid_until=valid_until)
    seat.press("Offer this source")
    seat.page.wait_for_url("**/sources/**")
    source = DroneSource.objects.get(name=name)
    seat.goto("scheduling:cohort_add", source.pk)
    seat.fill(comb_in_on=comb_in, promised_drones=800)
    seat.send()
    seat.page.wait_for_url("**/cohorts/*/")
    return DroneCohort.objects.get(source=source)


def count_capped(seat: Seat, cohort: DroneCohort, *, number: int) -> None:
    seat.goto("scheduling:cohort_count", cohort.pk)
    seat.fill(kind="capped", number=number)
    seat.send()
    seat.page.wait_for_url(f"**/cohorts/{cohort.pk}/")
    seat.sees(str(number))


PREDICTED = ("Merit of the daughters", "inbreeding of the workers", "living brood", "Ripe while they are of age")


def book(
    seat: Seat,
    *,
    batch: QueenBatch,
    sources: list[DroneSource],
    session: int,
    queens: int,
    said: tuple[str, ...] = PREDICTED,
) -> Booking:
    """The three steps, by their buttons; `said` of each source (merit only after an evaluation)."""
    seat.goto("scheduling:book")
    seat.fill(batch=batch.pk)
    seat.press("Choose drones")
    seat.page.wait_for_url("**/book/drones/**")
    seat.sees(*said)
    for source in sources:
        seat.fill(source=source.pk)
    seat.press("Choose a day")
    seat.page.wait_for_url("**/book/day/**")
    seat.fill(session=session, queens=queens)
    seat.press("Ask for")
    seat.page.wait_for_url("**/bookings/*/")
    return Booking.objects.get(batch=batch)


def look_into_nuc(seat: Seat, batch_queen: int, *, on: dt.date, finding: str, pattern: str = "") -> None:
    seat.goto("scheduling:check_add", batch_queen)
    seat.fill(checked_on=on, finding=finding)
    if pattern:
        seat.fill(pattern=pattern)
    seat.send()
    seat.page.wait_for_url("**/batches/*/")
