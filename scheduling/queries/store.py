"""Semen in store: what each lot still holds, at which bench, until when it may be used."""

import datetime as dt
from dataclasses import dataclass

from scheduling.models import LotState, Season, SemenLot
from scheduling.planning.facts import Settings
from scheduling.planning.timing import days_later, local_day
from scheduling.queries.lots import LotView, lot_views


@dataclass(frozen=True)
class StoredLot:
    """A lot in store. normal_until: last day of use as usual; until: last day of all, None with a viability result."""

    view: LotView
    normal_until: dt.date
    until: dt.date | None

    @property
    def lot(self) -> SemenLot:
        return self.view.lot

    @property
    def tenths(self) -> int:
        return max(0, self.view.left)

    @property
    def bench_id(self) -> int:
        return self.lot.session.bench_id

    def serves(self, day: dt.date) -> bool:
        return self.until is None or day <= self.until


def stored_lots(season: Season, settings: Settings) -> list[StoredLot]:
    """Lots in store that still hold something, those that end first in front."""
    zone = season.cooperative.time_zone
    lots = SemenLot.objects.filter(session__season=season, state=LotState.STORED).order_by("opened_at", "pk")
    found = []
    for view in lot_views(lots):
        collected = local_day(view.lot.opened_at, zone)
        until = None if view.lot.viability_checked_on else days_later(collected, settings.semen_limit_days)
        found.append(StoredLot(view, days_later(collected, settings.semen_normal_days), until))
    return sorted((lot for lot in found if lot.tenths > 0), key=lambda lot: (lot.until or dt.date.max, lot.lot.pk))
