"""Drone sources of the practice season and their cohorts, as their keepers recorded them."""

import datetime as dt

from accounts.models import Person
from breeding.models import Heading, Queen
from scheduling.models import CountKind, DroneCohort, DroneSource
from scheduling.services.cohorts import cohort_add, cohort_observe, count_record
from scheduling.services.practice.names import STONES
from scheduling.services.practice.plot import SOURCES, CohortPlot, SourcePlot
from scheduling.services.practice.world import World
from scheduling.services.sources import source_hold, source_offer, source_withdraw

OFFERED_BEFORE_COMB = 3
LAID, CAPPED, COUNTED, EMERGED, SEEN = 2, 11, 15, 25, 40  # days after the comb went in


def tell_sources(world: World, drone_queens: list[Queen]) -> None:
    for name, plot, queen in zip(STONES, SOURCES, drone_queens, strict=True):
        _tell_source(world, name, plot, queen)


def _tell_source(world: World, name: str, plot: SourcePlot, queen: Queen) -> None:
    line, keeper = world.timeline, world.keeper_of(queen.owner)
    made: list[DroneSource] = []

    def offer(now: dt.datetime) -> None:
        heading = Heading.objects.select_related("colony__apiary").get(queen=queen, until=None)
        valid = None if plot.certificate is None else line.day(plot.certificate)
        made.append(
            source_offer(
                world.season,
                member=queen.owner,
                drone_queen=queen,
                name=name,
                apiary=heading.colony.apiary,
                health_certificate=f"Certificate {name}",
                health_valid_until=valid,
                by=keeper,
                now=now,
            )
        )

    first = min(cohort.comb for cohort in plot.cohorts)
    line.at(min(-1, first - OFFERED_BEFORE_COMB), 18, offer)
    for cohort in plot.cohorts:
        _tell_cohort(world, cohort, made, world.keeper_of(queen.owner))
    if plot.hold is not None:
        day, reason = plot.hold
        line.at(day, 9, lambda now: source_hold(made[0], reason=reason, by=world.coordinator, now=now))
    if plot.withdrawn is not None:
        day, why = plot.withdrawn
        line.at(day, 9, lambda now: source_withdraw(made[0], reason=why, by=keeper, now=now))


def _tell_cohort(world: World, plot: CohortPlot, source: list[DroneSource], by: Person) -> None:
    line = world.timeline
    made: list[DroneCohort] = []

    def promise(now: dt.datetime) -> None:
        made.append(
            cohort_add(
                source[0],
                promised_comb_on=line.day(plot.comb),
                promised_drones=plot.promised,
                by=by,
                now=now,
            )
        )

    def observe(step: str, days: int, hour: int) -> None:
        day = line.day(plot.comb + days)
        line.at(plot.comb + days, hour, lambda now: cohort_observe(made[0], step=step, day=day, by=by, now=now))

    def count(kind: str, days: int, number: int | None) -> None:
        if number is not None:
            day = line.day(plot.comb + days)
            line.at(
                plot.comb + days,
                19,
                lambda now: count_record(made[0], kind=kind, counted_on=day, number=number, by=by, now=now),
            )

    line.at(min(-1, plot.comb - 2), 19, promise)
    observe("comb_in_on", 0, 10)
    if plot.capped is not None:
        observe("laid_on", LAID, 16)
        observe("capped_on", CAPPED, 16)
        count(CountKind.CAPPED, COUNTED, plot.capped)
        observe("emerged_on", EMERGED, 16)
        count(CountKind.SEEN, SEEN, plot.seen)
    if plot.ended is not None:
        day = line.day(plot.ended)
        line.at(plot.ended, 18, lambda now: cohort_observe(made[0], step="ended_on", day=day, by=by, now=now))
