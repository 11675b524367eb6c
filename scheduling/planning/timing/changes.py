"""What moves when figures or observations change, and what is late."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from scheduling.planning.timing.steps import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A step before and after a change; None where it did not exist or exists no more."""

    key: str
    before: Step | None
    after: Step | None

    @property
    def days(self) -> int | None:
        """Days by which the best day moved; later is positive."""
        if self.before is None or self.after is None:
            return None
        return (self.after.best - self.before.best).days


def steps_moved(before: Iterable[Step], after: Iterable[Step]) -> tuple[Moved, ...]:
    """Return the steps whose days, moments or hard limit differ, in the order of `after`, dropped ones last."""
    old = {step.key: step for step in before}
    new = {step.key: step for step in after}
    moved = [
        Moved(key=key, before=old.get(key), after=step)
        for key, step in new.items()
        if _when(old.get(key)) != _when(step)
    ]
    return (*moved, *(Moved(key=key, before=step, after=None) for key, step in old.items() if key not in new))


def late_steps(steps: Iterable[Step], today: dt.date) -> tuple[Step, ...]:
    """Return the steps whose last day has passed without a record that they were done."""
    return tuple(step for step in steps if step.is_late(today))


def _when(step: Step | None) -> tuple[dt.date | dt.datetime | None, ...] | None:
    if step is None:
        return None
    return (step.earliest, step.best, step.latest, step.hard_limit, step.earliest_at, step.best_at, step.latest_at)
