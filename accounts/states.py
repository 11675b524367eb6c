"""The words for states: one registry of what is shown, with icon, tone and order.

Code stores keys; people read these words. No page has a synonym for any of them.
Tones are families of colour in the stylesheet: plain, info, go, wait, stop, queen, drone.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

TONES = ("plain", "info", "go", "wait", "stop", "queen", "drone")


@dataclass(frozen=True)
class State:
    """One state of one kind of thing. `order` counts from 0 in the usual course; flags come after it."""

    thing: str
    key: str
    label: Any
    icon: str
    tone: str
    order: int


_Row = tuple[str, Any, str, str]

_LATE_QUEEN: list[_Row] = [
    ("emerged", _("Emerged"), "egg", "info"),
    ("coming_ready", _("Coming ready"), "circle-dashed", "info"),
    ("ready", _("Ready"), "circle-check", "go"),
    ("last_days", _("Last days"), "clock-alert", "wait"),
    ("past_it", _("Past it"), "circle-slash", "stop"),
    ("inseminated", _("Inseminated"), "tip", "queen"),
    ("laying", _("Laying"), "circle-check", "go"),
    ("closed", _("Closed"), "lock", "plain"),
]

_WORDS: dict[str, list[_Row]] = {
    "booking": [
        ("not_sent", _("Not sent"), "pencil", "plain"),
        ("asked", _("Asked"), "inbox", "info"),
        ("queued", _("In the queue"), "hourglass", "wait"),
        ("offered", _("Place offered"), "bell-ring", "info"),
        ("placed", _("Placed"), "calendar-check", "go"),
        ("moved", _("Moved, please look"), "move", "wait"),
        ("at_bench", _("At the bench"), "tip", "queen"),
        ("done", _("Done"), "check", "go"),
        ("withdrawn", _("Withdrawn"), "undo-2", "plain"),
        ("lapsed", _("Lapsed"), "circle-slash", "plain"),
    ],
    "offer": [
        ("open", _("Place offered"), "bell-ring", "info"),
        ("accepted", _("Taken"), "check", "go"),
        ("declined", _("Let pass"), "undo-2", "plain"),
        ("lapsed", _("Lapsed"), "circle-slash", "plain"),
        ("replaced", _("Replaced by a plan"), "flag", "plain"),
    ],
    "chance": [
        ("in_time", _("In time"), "circle-check", "go"),
        ("late", _("Late, still safe"), "clock-alert", "wait"),
        ("needs_reason", _("Only with a reason"), "triangle-alert", "wait"),
        ("too_late", _("Too late"), "circle-slash", "stop"),
    ],
    "batch": [
        ("planned", _("Planned"), "calendar", "plain"),
        ("grafted", _("Grafted"), "pencil", "info"),
        ("started", _("Started"), "circle-dashed", "info"),
        ("capped", _("Capped"), "lock", "info"),
        *_LATE_QUEEN,
    ],
    "queen": [
        *_LATE_QUEEN,
        ("set_aside", _("Set aside"), "circle-slash", "plain"),
        ("lost", _("Lost"), "circle-x", "stop"),
    ],
    "cohort": [
        ("promised", _("Promised"), "pencil", "plain"),
        ("comb_in", _("Comb in"), "download", "plain"),
        ("laid", _("Laid"), "egg", "info"),
        ("capped", _("Capped"), "lock", "info"),
        ("emerging", _("Emerging"), "circle-dashed", "info"),
        ("ripening", _("Ripening"), "circle-dashed", "info"),
        ("ripe", _("Ripe"), "drone", "drone"),
        ("fading", _("Fading"), "clock-alert", "wait"),
        ("spent", _("Spent"), "circle-slash", "plain"),
        ("not_counted", _("Not counted"), "circle-alert", "wait"),
        ("short", _("Short"), "triangle-alert", "stop"),
    ],
    "source": [
        ("offered", _("Offered"), "drone", "drone"),
        ("on_hold", _("Health hold"), "circle-alert", "stop"),
        ("withdrawn", _("Withdrawn"), "undo-2", "plain"),
    ],
    "supply": [
        ("enough", _("Enough"), "check", "go"),
        ("short", _("Short"), "triangle-alert", "stop"),
    ],
    "session": [
        ("open", _("Open for places"), "calendar", "info"),
        ("running", _("Running"), "play", "queen"),
        ("closed", _("Closed"), "lock", "plain"),
        ("cancelled", _("Called off"), "circle-x", "stop"),
    ],
    "plan": [
        ("sketch", _("Sketch"), "pencil", "plain"),
        ("working", _("Working out"), "hourglass", "info"),
        ("to_check", _("To check"), "eye", "wait"),
        ("published", _("Published"), "flag", "go"),
        ("changed", _("Changed since published"), "history", "wait"),
        ("closed", pgettext_lazy("of a plan", "Closed"), "lock", "plain"),
        ("no_full_fit", _("No full fit"), "triangle-alert", "stop"),
    ],
    "delivery": [
        ("retry", _("To be tried again"), "clock-alert", "wait"),
        ("in_doubt", _("In doubt"), "circle-question-mark", "wait"),
        ("dead", _("Given up"), "circle-slash", "stop"),
    ],
    "reminder": [
        ("coming", _("Coming"), "calendar", "plain"),
        ("due", _("Due"), "clock", "wait"),
        ("late", _("Late"), "clock-alert", "stop"),
        ("put_off", _("Put off"), "undo-2", "info"),
        ("acknowledged", _("Somebody is on it"), "user", "info"),
        ("done", _("Done"), "check", "go"),
        ("let_go", _("Let go"), "circle-slash", "plain"),
    ],
    "bench": [
        ("waiting", _("Waiting"), "hourglass", "plain"),
        ("first_co2", _("First CO2"), "cloud", "info"),
        ("on_hook", _("On the hook"), "tip", "queen"),
        ("inseminated", _("Inseminated"), "check", "go"),
        ("second_co2", _("Second CO2"), "cloud", "info"),
        ("set_aside", _("Set aside"), "circle-slash", "plain"),
        ("lost", _("Lost"), "circle-x", "stop"),
    ],
    "lot": [
        ("open", _("Open"), "tip", "drone"),
        ("stored", _("Stored"), "lock", "info"),
        ("used_up", _("Used up"), "check", "plain"),
        ("discarded", _("Discarded"), "circle-slash", "stop"),
    ],
    "entry": [
        ("kept", _("Kept here"), "smartphone", "wait"),
        ("sending", _("Sending"), "cloud-upload", "info"),
        ("sent", _("Sent"), "cloud-check", "go"),
        ("needs_look", _("Needs a look"), "circle-alert", "stop"),
    ],
    "job": [
        ("in_line", _("In line"), "hourglass", "plain"),
        ("reading", _("Reading"), "eye", "info"),
        ("working", _("Working out"), "hourglass", "info"),
        ("checking", _("Checking"), "search", "info"),
        ("ready", _("Ready"), "circle-check", "go"),
        ("stopped", _("Stopped"), "circle-x", "stop"),
    ],
    "import": [
        ("reading", _("Being read"), "hourglass", "info"),
        ("matching", _("Columns to match"), "pencil", "wait"),
        ("checked", _("To be looked at"), "eye", "wait"),
        ("done", _("Imported"), "circle-check", "go"),
        ("undone", _("Undone"), "undo-2", "plain"),
    ],
    "sureness": [
        ("thin", _("thin"), "circle-dashed", "wait"),
        ("fair", _("fair"), "circle-check", "info"),
        ("firm", _("firm"), "circle-check", "go"),
    ],
}


def _registry(words: dict[str, list[_Row]]) -> dict[tuple[str, str], State]:
    return {
        (thing, key): State(thing, key, label, icon, tone, order)
        for thing, rows in words.items()
        for order, (key, label, icon, tone) in enumerate(rows)
    }


STATES = _registry(_WORDS)


def state_of(thing: str, key: str) -> State:
    """The state of this kind of thing; LookupError names what is missing from the registry."""
    try:
        return STATES[(thing, str(key))]
    except KeyError:
        known = ", ".join(state.key for state in states_of(thing)) or "nothing"
        raise LookupError(f"No word for state {key!r} of {thing!r}; the registry knows {known}.") from None


def states_of(thing: str) -> list[State]:
    """All states of this kind of thing, in their order."""
    return sorted((state for state in STATES.values() if state.thing == thing), key=lambda state: state.order)


def state_choices(thing: str, only: Iterable[str] | None = None) -> list[tuple[str, Any]]:
    """(key, word) pairs for a filter, all of them or only the named ones."""
    wanted = None if only is None else set(only)
    return [(state.key, state.label) for state in states_of(thing) if wanted is None or state.key in wanted]
