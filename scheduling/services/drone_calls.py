"""Bring so many drones of this source to this session: what the places that stand need, with the safe reserve."""

import math
from collections import defaultdict
from collections.abc import Mapping

from scheduling.models import DroneCall, Plan, SessionState
from scheduling.queries.standing import standing_places


def drone_calls_write(plan: Plan, lines: Mapping[int, tuple[int, int]]) -> None:
    """Make the plan's calls for open sessions what its places need, given and offered ones; runs in a transaction.

    Parameters
    ----------
    lines : mapping of source id to (int, int)
        Thousandths of a drone for each tenth of a µl, and once for a session. A source without a line is not called.
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
    wanted = {key: volume for key, volume in volumes.items() if key[1] in lines}
    for call in plan.drone_calls.filter(session__state=SessionState.OPEN):
        if (call.session_id, call.source_id) not in wanted:
            call.delete()
    for (session_id, source_id), volume in sorted(wanted.items()):
        per_tenth, once = lines[source_id]
        rounded = round(volume, 3)  # parts of a pool are real numbers: 80.0000001 tenths are 80
        DroneCall.objects.update_or_create(
            plan=plan,
            session_id=session_id,
            source_id=source_id,
            defaults={
                "volume_tenths": math.ceil(rounded),
                "drones": math.ceil(round((per_tenth * rounded + once) / 1000, 6)),
            },
        )
