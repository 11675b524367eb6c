"""Looking over an installation as a whole: what is well, what to look at, what is wrong and what to do about it."""

import datetime as dt

from scheduling.services.checkup.finding import Finding, Look, State, found
from scheduling.services.checkup.machine import MACHINE
from scheduling.services.checkup.rows import ROWS
from scheduling.services.checkup.services import SERVICES

__all__ = ["Finding", "State", "looked_over"]

LOOKS: tuple[Look, ...] = (*SERVICES, *MACHINE, *ROWS)


def looked_over(*, now: dt.datetime) -> list[Finding]:
    """Everything that can be looked at from here, in order. What cannot be looked at is itself a finding."""
    return [found(look, now) for look in LOOKS]
