"""Days of a semen lot in store, and of a source's health certificate."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later
from scheduling.planning.timing.steps import Step, Who


def lot_steps(collected_on: dt.date, settings: Settings) -> tuple[Step, ...]:
    """Return the two days of stored semen: the last on which it is used as usual, and the last at all.

    After the second it is given only with a viability result.
    """
    normal = days_later(collected_on, settings.semen_normal_days)
    limit = days_later(collected_on, settings.semen_limit_days)
    return (
        Step(
            key="lot_normal_ends",
            what="Stored semen: last day of normal use",
            who=Who.OPERATOR,
            earliest=normal,
            best=normal,
            latest=normal,
            is_event=True,
            why=f"{settings.semen_normal_days} days after it was collected. From then on its age and temperature are "
            "looked at before it is used.",
            rows=("N01", "N02", "N11"),
        ),
        Step(
            key="lot_limit",
            what="Stored semen: last day without a viability result",
            who=Who.OPERATOR,
            earliest=normal,
            best=limit,
            latest=limit,
            hard_limit=limit,
            why=f"Live sperm fall after about six weeks. From day {settings.semen_limit_days + 1} on it is blocked "
            "until a viability result is on record.",
            rows=("N02", "N03", "N11"),
        ),
    )
