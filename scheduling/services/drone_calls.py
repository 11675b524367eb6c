"""Bring so many drones of this source to this session: what the places that stand and the second doses due there need,
with the safe reserve.

What is in store of a source at the session's bench is used first, the lot that ends first before the others: for that
part nobody brings drones.
"""

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Callable, Mapping

from scheduling.models import BenchSession, DroneCall, Plan, SessionState
from scheduling.planning.stored import drones_beside_store
from scheduling.queries.season import settings_of
from scheduling.queries.second_doses import reserved_for_seconds
from scheduling.queries.standing import standing_places
from scheduling.queries.store import stored_lots


def drone_calls_write(
    plan: Plan, lines: Mapping[int, tuple[int, int]], *, worth: Callable[[int, dt.date], float] = lambda _s, _d: 1.0
) -> None:
    """Make the plan's calls for open sessions what its places need, given and offered ones; runs in a transaction.

    Parameters
    ----------
    lines : mapping of source id to (int, int)
        Thousandths of a drone for each tenth of a µl, and once for a session. A source without a line is not called.
    worth : callable of source id and day
        What a drone counts at the age it will have that day, in drones as the lines know them.
    """
    volumes: dict[tuple[int, int], float] = defaultdict(float)
    for place in standing_places(plan.season).filter(plan=plan).prefetch_related("pool__parts"):
        if place.source_id is not None:
            volumes[place.session_id, place.source_id] += place.dose_tenths
        elif place.pool is not None:
            parts = list(place.pool.parts.all())
            whole = sum(part.volume_tenths for part in parts)
            for part in parts:
                volumes[place.session_id, part.source_id] += place.dose_tenths * float(part.volume_tenths / whole)
    for session_id, reserved in reserved_for_seconds(plan.season).items():
        for source_id, tenths in reserved.tenths.items():
            volumes[session_id, source_id] += tenths
    wanted = {key: round(volume, 3) for key, volume in volumes.items() if key[1] in lines}  # 80.0000001 tenths are 80
    stored = _from_store(plan, wanted)
    days = dict(BenchSession.objects.filter(pk__in={at for at, _source in wanted}).values_list("pk", "day"))
    fresh = {}
    for (at, source), volume in wanted.items():
        beside, drones = drones_beside_store(volume, stored.get((at, source), 0), lines[source])
        fresh[at, source] = beside, drones / worth(source, days[at])
    for call in plan.drone_calls.filter(session__state=SessionState.OPEN):
        if fresh.get((call.session_id, call.source_id), (0.0, 0.0))[1] <= 0:
            call.delete()
    for (session_id, source_id), (volume, drones) in sorted(fresh.items()):
        if drones > 0:
            DroneCall.objects.update_or_create(
                plan=plan,
                session_id=session_id,
                source_id=source_id,
                defaults={"volume_tenths": math.ceil(volume), "drones": math.ceil(round(drones, 6))},
            )


def _from_store(plan: Plan, wanted: Mapping[tuple[int, int], float]) -> dict[tuple[int, int], float]:
    """Which part of each session's volumes is in store at its bench, early sessions first. [tenths of a µl]"""
    lots = [lot for lot in stored_lots(plan.season, settings_of(plan.season)) if lot.lot.source_id is not None]
    if not lots:
        return {}
    left = {lot.lot.pk: float(lot.tenths) for lot in lots}
    taken: dict[tuple[int, int], float] = defaultdict(float)
    sessions = BenchSession.objects.filter(pk__in={session for session, _source in wanted}).order_by("day", "pk")
    for session in sessions:
        for (session_id, source_id), volume in wanted.items():
            if session_id != session.pk:
                continue
            for lot in lots:
                if lot.lot.source_id == source_id and lot.bench_id == session.bench_id and lot.serves(session.day):
                    part = min(left[lot.lot.pk], volume - taken[session_id, source_id])
                    left[lot.lot.pk] -= part
                    taken[session_id, source_id] += part
    return taken
