"""A lot of semen: what it was made of, what it holds, of whose drones it is."""

from collections import defaultdict
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet

from accounts.queries.rows import rows_of
from scheduling.models import (
    Dose,
    DroneSource,
    DroneTally,
    LotMovement,
    LotPart,
    LotState,
    MovementKind,
    SemenLot,
    TallyOutcome,
)
from scheduling.planning.semen import Balance, SourceSemen, add_up, split_whole

OUT_OF_STORE = {MovementKind.MIXED_OUT, MovementKind.DISCARDED, MovementKind.LOST}


@dataclass(frozen=True)
class LotView:
    """A lot with its tally and its balance, from rows that were not taken back."""

    lot: SemenLot
    tally: dict[str, int]
    balance: Balance

    @property
    def usable(self) -> int:
        return self.tally.get(TallyOutcome.USABLE, 0)

    @property
    def tried(self) -> int:
        return sum(self.tally.values())

    @property
    def gave_none(self) -> int:
        return self.tried - self.usable

    @property
    def left(self) -> int:
        return self.balance.left

    @property
    def free(self) -> int:
        """What can be taken out of it now: of a stored lot also what is stored. [0.1 µl]"""
        return self.left if self.lot.state == LotState.STORED else self.balance.unexplained

    @property
    def is_open(self) -> bool:
        return self.lot.state in {LotState.OPEN, LotState.STORED}


def lot_views(lots: QuerySet[SemenLot]) -> list[LotView]:
    """Views of lots in a fixed number of queries."""
    related = lots.select_related("source", "session__bench", "session__season__cooperative", "semen_batch")
    rows = list(related.prefetch_related(parts_that_count()))
    ids = [lot.pk for lot in rows]
    tally: dict[int, dict[str, int]] = defaultdict(dict)
    for lot_id, outcome, drones in DroneTally.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "outcome", "drones"
    ):
        tally[lot_id][outcome] = tally[lot_id].get(outcome, 0) + drones
    by_id = {lot.pk: lot for lot in rows}
    moved: dict[int, dict[str, int]] = defaultdict(dict)
    from_store: dict[int, int] = defaultdict(int)
    for lot_id, kind, volume, at in LotMovement.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "kind", "volume_tenths", "at"
    ):
        moved[lot_id][kind] = moved[lot_id].get(kind, 0) + volume
        closed_at = by_id[lot_id].closed_at
        if kind in OUT_OF_STORE and closed_at is not None and at > closed_at:
            from_store[lot_id] += volume
    dosed: dict[int, int] = defaultdict(int)
    for lot_id, volume, session_id in Dose.objects.filter(lot__in=ids, undone_at__isnull=True).values_list(
        "lot_id", "volume_tenths", "session_id"
    ):
        dosed[lot_id] += volume
        if session_id != by_id[lot_id].session_id:
            from_store[lot_id] += volume
    return [
        LotView(lot, dict(tally[lot.pk]), _balance(moved[lot.pk], dosed[lot.pk], from_store[lot.pk])) for lot in rows
    ]


def parts_that_count() -> "Prefetch[str]":
    """Parts of pools, without those that a correction took back."""
    return rows_of("parts", LotPart.objects.filter(undone_at__isnull=True).select_related("source"))


def lot_view(lot: SemenLot) -> LotView:
    return lot_views(SemenLot.objects.filter(pk=lot.pk))[0]


def _balance(moved: dict[str, int], dosed: int, from_store: int) -> Balance:
    return Balance(
        collected=moved.get(MovementKind.COLLECTED, 0),
        mixed_in=moved.get(MovementKind.MIXED_IN, 0),
        dosed=dosed,
        mixed_out=moved.get(MovementKind.MIXED_OUT, 0),
        stored=moved.get(MovementKind.STORED, 0),
        discarded=moved.get(MovementKind.DISCARDED, 0),
        lost=moved.get(MovementKind.LOST, 0),
        from_store=from_store,
    )


def semen_by_drone_queen(view: LotView) -> dict[int, SourceSemen]:
    """What the lot is made of, by drone-producing queen: its own source, its pool's drones, or its mixture's shares."""
    lot = view.lot
    parts = list(lot.parts.all())
    if parts:
        return add_up([{part.source.drone_queen_id: semen} for part, semen in _of_pool(view, parts)])
    if lot.source is not None:
        return {lot.source.drone_queen_id: SourceSemen(max(1, view.balance.into), view.usable or None)}
    assert lot.semen_batch is not None
    return {
        share.drone_queen_id: SourceSemen(share.volume_tenths, share.drones) for share in lot.semen_batch.shares.all()
    }


def _of_pool(view: LotView, parts: list[LotPart]) -> list[tuple[LotPart, SourceSemen]]:
    """Whose drone gave what is not known: semen and drones are split as the drones that were put together."""
    weights = [part.drones for part in parts]
    volumes = split_whole(max(len(parts), view.balance.into), weights)
    drones = split_whole(view.usable, weights) if view.usable else []
    return [
        (part, SourceSemen(volume, max(1, drones[number]) if drones else None))
        for number, (part, volume) in enumerate(zip(parts, volumes, strict=True))
        if volume
    ]


def sources_of_lot(lot: SemenLot) -> list[DroneSource]:
    """Every source whose semen is in the lot, through mixtures of mixtures."""
    found: dict[int, DroneSource] = {}
    seen: set[int] = set()
    edge = {lot.pk}
    while edge:
        seen |= edge
        for one in SemenLot.objects.filter(pk__in=edge).select_related("source").prefetch_related(parts_that_count()):
            own = [one.source] if one.source is not None else [part.source for part in one.parts.all()]
            found |= {source.pk: source for source in own}
        rows = LotMovement.objects.filter(lot__in=edge, kind=MovementKind.MIXED_IN, undone_at__isnull=True)
        edge = {pk for pk in rows.values_list("other_lot", flat=True) if pk is not None} - seen
    return sorted(found.values(), key=lambda source: source.letter)


def weights_of_lot(lot: SemenLot) -> list[tuple[int, float]]:
    """Its sources, each with its share of the semen, as pool and mixture have them."""
    if lot.source_id is not None:
        return [(lot.source_id, 1.0)]
    semen = semen_by_drone_queen(lot_view(lot))
    whole = sum(part.volume for part in semen.values())
    return [
        (source.pk, semen[source.drone_queen_id].volume / whole)
        for source in sources_of_lot(lot)
        if source.drone_queen_id in semen
    ]
