"""What joins results: the apiary-year they share, and whose drones each queen met."""

from breeding.genetics import pedigree as kernel

FACTOR = "apiary_year"


def sources_by_queen(pedigree: kernel.Pedigree) -> dict[str, list[str]]:
    """Whose drones (or sisters' mother) each mated queen met; nobody for open mating."""
    drone_dam = {drone.id: drone.dam for drone in pedigree.drones}
    batches = {batch.id: [share.id for share in batch.dpqs] for batch in pedigree.batches}
    group_dam = {group.id: group.dam for group in pedigree.groups}
    found: dict[str, list[str]] = {}
    for queen_id, mating in pedigree.matings.items():
        match mating:
            case kernel.SingleDrone(drone=drone):
                ids = [drone_dam[drone]]
            case kernel.OneSource(dpq=dpq):
                ids = [dpq]
            case kernel.Pool(dpqs=shares):
                ids = [share.id for share in shares]
            case kernel.SharedBatch(batch=batch):
                ids = list(batches[batch])
            case kernel.Station(group=group):
                ids = [group_dam[group]]
            case _:
                ids = []
        found[queen_id] = [source for source in ids if source is not None]
    return found
