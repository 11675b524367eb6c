"""Figures of the practice season that the trade's literature does not give: a first value, with its reason."""

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal

from accounts.models import Person
from scheduling.models import Season
from scheduling.services.season import setting_change


def settings_make(season: Season, rows: Sequence[tuple[str, str, str]], *, by: Person, now: dt.datetime) -> None:
    for key, value, reason in rows:
        setting_change(season, key=key, value=Decimal(value), reason=reason, by=by, now=now)
