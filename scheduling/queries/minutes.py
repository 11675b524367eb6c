"""How long the work at the bench takes, from the moments of its own taps: of all operators, and of each."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

from scheduling.models import Dose, DroneTally, Season, SemenLot, SessionState
from scheduling.planning.facts import Settings
from scheduling.planning.minutes import Interval, Minutes, learned_minutes
from scheduling.planning.timing import elapsed_hours

DRONES_AN_HOUR = 110  # only as a start where the season names no figure: two helpers everting (our choice)


@dataclass(frozen=True)
class BenchMinutes:
    """`of_all`: every operator together, learned from the season's own figures; `by_operator`: pooled with it."""

    of_all: Minutes
    by_operator: dict[int, Minutes]

    def of(self, operator_id: int | None) -> Minutes:
        return self.by_operator.get(operator_id or 0, self.of_all)


def bench_minutes(season: Season, settings: Settings) -> BenchMinutes:
    """What the closed sessions of the season teach. The season's figures are where it starts."""
    per_hour = float(settings.needed("operator_queens_per_hour"))
    drones = float(settings.operator_drones_per_hour or DRONES_AN_HOUR)
    start = Minutes(60 / per_hour, 60 / drones, max(0.5, float(settings.needed("source_setup_minutes"))))
    by_operator = intervals_of(season)
    of_all = learned_minutes([one for rows in by_operator.values() for one in rows], start)
    return BenchMinutes(of_all, {operator: learned_minutes(rows, of_all) for operator, rows in by_operator.items()})


def intervals_of(season: Season) -> dict[int, list[Interval]]:
    """From dose to dose of the same person at the same session. More for the same queen begins no interval."""
    here = {"session__season": season, "session__state": SessionState.CLOSED}
    lots = {f"lot__{key}": value for key, value in here.items()}
    doses: dict[tuple[int, int], list[tuple[dt.datetime, int]]] = defaultdict(list)
    rows = Dose.objects.filter(undone_at__isnull=True, given_by__isnull=False, **here).order_by("given_at", "pk")
    for session, by, at, queen in rows.values_list("session", "given_by", "given_at", "batch_queen"):
        mine = doses[session, by]
        if not mine or mine[-1][1] != queen:
            mine.append((at, queen))
    tried: dict[int, list[tuple[dt.datetime, int]]] = defaultdict(list)
    for session, at, drones in DroneTally.objects.filter(undone_at__isnull=True, **lots).values_list(
        "lot__session", "at", "drones"
    ):
        tried[session].append((at, drones))
    changes = _changes(season)
    found: dict[int, list[Interval]] = defaultdict(list)
    for (session, by), mine in doses.items():
        for (begun, _queen), (ended, _next) in pairwise(mine):
            found[by].append(
                Interval(
                    minutes=60 * float(elapsed_hours(begun, ended)),
                    drones=sum(drones for at, drones in tried[session] if begun < at <= ended),
                    changes=sum(1 for at in changes[session] if begun < at <= ended),
                )
            )
    return dict(found)


def _changes(season: Season) -> dict[int, list[dt.datetime]]:
    """When a lot of another source than the one before was opened, by session."""
    found: dict[int, list[dt.datetime]] = defaultdict(list)
    before: dict[int, int | None] = {}
    lots = SemenLot.objects.filter(session__season=season, session__state=SessionState.CLOSED)
    for session, source, at in lots.order_by("opened_at", "pk").values_list("session", "source", "opened_at"):
        if session in before and before[session] != source:
            found[session].append(at)
        before[session] = source
    return found
