"""One thing that was looked at."""

import datetime as dt
import logging
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

log = logging.getLogger(__name__)


class State(StrEnum):
    WELL = "well"
    LOOK = "look at"
    WRONG = "wrong"


@dataclass(frozen=True)
class Finding:
    """`text` : what is so. `to_do` : what to do about it; empty where all is well."""

    name: str
    state: State
    text: str
    to_do: str = ""


Look = Callable[[dt.datetime], Finding]


def well(name: str, text: str) -> Finding:
    return Finding(name, State.WELL, text)


def look_at(name: str, text: str, to_do: str) -> Finding:
    return Finding(name, State.LOOK, text, to_do)


def wrong(name: str, text: str, to_do: str) -> Finding:
    return Finding(name, State.WRONG, text, to_do)


def found(look: Look, now: dt.datetime) -> Finding:
    """One that breaks must not hide what the others find."""
    name = look.__name__.removeprefix("look_at_").replace("_", " ")
    try:
        return look(now)
    except Exception as error:
        log.debug("%s could not be looked at", name, exc_info=True)
        text = f"could not be looked at: {type(error).__name__}: {error}".strip()
        return wrong(name, text, "Mend what is wrong above first, then ask again.")
