"""Examples of the client: each function is a whole small program. They run in the tests."""

import datetime as dt

from broodtide import Broodtide, Refused, Thing


def scale_writes_honey(hives: Broodtide, colony: int, kilograms: float, day: dt.date) -> Thing:
    """A scale under the hive writes down the harvest."""
    score = {"colony": colony, "trait": "honey_yield", "scored_on": day.isoformat(), "value": kilograms}
    return hives.make("scores", score)


def best_living_queens(hives: Broodtide, number: int) -> list[tuple[str, float]]:
    """The ranking of the latest evaluation that is no trial: labels with their merit in genetic SD."""
    for run in hives.all("evaluations", trial="false"):
        ranking = hives.all(f"evaluations/{run['id']}/ranking")
        living = ((row["label"], row["merit"]) for row in ranking if row["status"] != "gone")
        return [pair for pair, _ in zip(living, range(number), strict=False)]
    return []


def book(hives: Broodtide, batch: int, queens: int, source: int) -> str:
    """Ask for places on any day that fits; says what became of it."""
    try:
        booking = hives.make("bookings", {"batch": batch, "queens": queens, "sources": [source]})
    except Refused as refused:
        return f"not booked: {refused.detail}"
    return f"{booking['state']}: {booking['why']}"


def note_on(hives: Broodtide, queen: int, note: str) -> Thing:
    """Change one field, whatever somebody else is doing to the same queen."""
    thing = hives.one("queens", queen)
    while True:
        try:
            return hives.change("queens", thing, note=note)
        except Refused as refused:
            if refused.status != 412:
                raise
            thing = hives.one("queens", queen)


def settle_what_is_due(hives: Broodtide) -> int:
    """A button by the hive: all that is due today is seen."""
    due = [row for row in hives.all("reminders", state="wanted") if row["now"] in {"due", "late"}]
    for row in due:
        hives.act("reminders", hives.one("reminders", row["id"]), "acknowledge")
    return len(due)
