"""Queen batches of the practice season, step by step as their keepers recorded them."""

import datetime as dt
from decimal import Decimal

from breeding.models import Queen
from scheduling.services.batch_queens import batch_queen_lost
from scheduling.services.batches import (
    batch_add,
    batch_caged,
    batch_close,
    batch_emerged,
    batch_excluder,
    batch_graft,
    batch_sealed,
    batch_started,
)
from scheduling.services.practice.names import BIRDS, MEMBERS
from scheduling.services.practice.plot import BATCHES, BatchPlot
from scheduling.services.practice.world import World

STARTED, SEALED, CAGED, EMERGED = 1, 5, 10, 12  # days after the graft
GRAFT_TO_BENCH = 20
COLD, WARM = Decimal("32.0"), Decimal("34.5")


def tell_batches(world: World, mothers: list[Queen]) -> None:
    for number, plot in enumerate(BATCHES):
        _tell_batch(world, BIRDS[number], plot, number, mothers[number // 2 % len(mothers)])


def _tell_batch(world: World, name: str, plot: BatchPlot, number: int, mother: Queen) -> None:
    line, batches, key = world.timeline, world.batches, plot.key
    place = (7 * number + 2) % len(MEMBERS)
    member, apiary, by = world.people.members[place], world.people.apiaries[place][1], world.people.keepers[place]

    def plan(now: dt.datetime) -> None:
        batches[key] = batch_add(
            world.season,
            member=member,
            mother=mother,
            name=name,
            apiary=apiary,
            wanted_bench_on=line.day(plot.graft + GRAFT_TO_BENCH),
            by=by,
            now=now,
        )

    def graft(now: dt.datetime) -> None:
        batch_graft(batches[key], grafted_on=line.day(plot.graft), hour=10, cells=plot.cells, by=by, now=now)

    def start(now: dt.datetime) -> None:
        batch_started(batches[key], counted_on=line.day(plot.graft + STARTED), cells=plot.started, by=by, now=now)

    def seal(now: dt.datetime) -> None:
        warmth = COLD if plot.cold else WARM
        day = line.day(plot.graft + SEALED)
        batch_sealed(batches[key], sealed_on=day, temperature_c=warmth, by=by, now=now)

    def cage(now: dt.datetime) -> None:
        batch_caged(batches[key], caged_on=line.day(plot.graft + CAGED), by=by, now=now)

    def emerge(now: dt.datetime) -> None:
        day = line.day(plot.graft + late)
        batch_emerged(batches[key], emerged_on=day, virgins=plot.virgins, hour=6, by=by, now=now)
        batch_excluder(batches[key], excluder_on=day, by=by, now=now)

    late = EMERGED + (1 if plot.cold else 0)
    line.at(min(plot.graft - 6, -1), 20, plan)
    line.at(plot.graft, 10, graft)
    line.at(plot.graft + STARTED, 17, start)
    line.at(plot.graft + SEALED, 17, seal)
    line.at(plot.graft + CAGED, 18, cage)
    line.at(plot.graft + late, 8, emerge)
    if plot.key == "gone":
        line.at(plot.graft + late + 2, 19, lambda now: _lose_all(world, plot, number, now))
    if plot.closed is not None:
        day, reason = plot.closed
        line.at(day, 20, lambda now: batch_close(batches[key], reason=reason, by=by, now=now))


def _lose_all(world: World, plot: BatchPlot, number: int, now: dt.datetime) -> None:
    by = world.people.keepers[(7 * number + 2) % len(MEMBERS)]
    for queen in world.batches[plot.key].batch_queens.select_related("queen"):
        day = world.timeline.day(plot.graft + EMERGED + 2)
        batch_queen_lost(queen, reason="dead in her cage", lost_on=day, by=by, now=now)
