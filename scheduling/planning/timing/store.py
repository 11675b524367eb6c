"""Days of a semen lot in store, and of a source's health certificate."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, days_said
from scheduling.planning.timing.steps import Step, Who
from scheduling.planning.words import message as _


def lot_steps(collected_on: dt.date, settings: Settings) -> tuple[Step, ...]:
    """Return the two days of stored semen: the last on which it is used as usual, and the last at all.

    After the second it is given only with a viability result.
    """
    normal = days_later(collected_on, settings.semen_normal_days)
    limit = days_later(collected_on, settings.semen_limit_days)
    return (
        Step(
            key="lot_normal_ends",
            what=_("Stored semen: last day of normal use"),
            who=Who.OPERATOR,
            earliest=normal,
            best=normal,
            latest=normal,
            is_event=True,
            why=_(
                "%(days)s after it was collected. From then on its age and temperature are looked at first.",
                days=days_said(settings.semen_normal_days),
            ),
            rows=("N01", "N02", "N11"),
        ),
        Step(
            key="lot_limit",
            what=_("Stored semen: last day without a viability result"),
            who=Who.OPERATOR,
            earliest=normal,
            best=limit,
            latest=limit,
            hard_limit=limit,
            why=_(
                "Live sperm get fewer. From day %(day)s on it is blocked until a viability result is on record.",
                day=settings.semen_limit_days + 1,
            ),
            rows=("N02", "N03", "N11"),
        ),
    )
