"""The season worked backwards from a wanted bench day."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.steps import Step


def backward_plan(bench_day: dt.date, settings: Settings) -> tuple[Step, ...]:
    """Return every step for one bench day, from the start of the drone programme to her own progeny."""
    raise NotImplementedError
