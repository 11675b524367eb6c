"""From a queen back to every lot, source and hand; from a source or a lot forward to every queen."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from django.db.models import Q

from accounts.access import Viewer
from accounts.models import AuditEntry, Member
from scheduling.models import (
    BatchQueen,
    BenchSession,
    Co2Treatment,
    Dose,
    DroneSource,
    LotMovement,
    MovementKind,
    SemenLot,
    TipChange,
)
from scheduling.queries.lots import LotView, lot_views

MOST_FOUND = 40


@dataclass(frozen=True)
class TracedDose:
    """A dose as it stands on record, taken back or not, with the tip that was in the holder."""

    dose: Dose
    tip: str

    @property
    def is_back(self) -> bool:
        return self.dose.undone_at is not None


@dataclass(frozen=True)
class TracedLot:
    """A lot with its tips, its tally and balance, and the lots it was mixed from: (lot, tenths of a µl)."""

    view: LotView
    tips: list[TipChange]
    parts: list[tuple[SemenLot, int]]

    @property
    def sources(self) -> list[DroneSource]:
        """Whose drones were tried for it; of a mixture none: its parts name them."""
        lot = self.view.lot
        return [lot.source] if lot.source is not None else [part.source for part in lot.parts.all()]


@dataclass(frozen=True)
class QueenTrace:
    queen: BatchQueen
    doses: list[TracedDose]
    treatments: list[Co2Treatment]
    lots: list[TracedLot]
    corrections: list[AuditEntry]

    @cached_property
    def sources(self) -> list[DroneSource]:
        found = {source.pk: source for lot in self.lots for source in lot.sources}
        return sorted(found.values(), key=lambda source: source.letter)


@dataclass(frozen=True)
class ForwardTrace:
    """Everything that holds semen of a source or a lot."""

    lots: list[TracedLot]
    doses: list[TracedDose]
    corrections: list[AuditEntry]

    @cached_property
    def queens(self) -> list[BatchQueen]:
        """With a dose that counts, each once."""
        found = {one.dose.batch_queen_id: one.dose.batch_queen for one in self.doses if not one.is_back}
        return list(found.values())

    @cached_property
    def members(self) -> list[Member]:
        found = {queen.batch.member_id: queen.batch.member for queen in self.queens}
        return sorted(found.values(), key=lambda member: member.name)

    @property
    def stored(self) -> list[TracedLot]:
        return [lot for lot in self.lots if lot.view.lot.state == "stored"]


def trace_of_queen(queen: BatchQueen) -> QueenTrace:
    doses = _doses(Q(batch_queen=queen))
    lots = _lots(_with_parts({one.dose.lot_id for one in doses}))
    treatments = queen.co2_treatments.select_related("session__bench", "given_by").order_by("started_at", "pk")
    sessions = {one.dose.session_id for one in doses} | {lot.view.lot.session_id for lot in lots}
    return QueenTrace(queen, doses, list(treatments), lots, _corrections(sessions))


def trace_of_lots(lots: Iterable[int]) -> ForwardTrace:
    """Of these lots and every mixture made of them, whatever the number of steps."""
    found = _lots(lots_with_mixtures(set(lots)))
    doses = _doses(Q(lot__in=[lot.view.lot.pk for lot in found]))
    sessions = {one.dose.session_id for one in doses} | {lot.view.lot.session_id for lot in found}
    return ForwardTrace(found, doses, _corrections(sessions))


def trace_of_source(source: DroneSource) -> ForwardTrace:
    return trace_of_lots(
        SemenLot.objects.filter(
            Q(source=source) | Q(pk__in=source.lot_parts.filter(undone_at__isnull=True).values("lot"))
        ).values_list("pk", flat=True)
    )


@dataclass(frozen=True)
class Found:
    """What a search in the bench's records found."""

    queens: list[BatchQueen]
    lots: list[SemenLot]
    sources: list[DroneSource]


def trace_search(viewer: Viewer, words: str) -> Found:
    """Queens by their mark, lots by their label, sources by name or letter; of the viewer's cooperative."""
    words = words.strip()
    if not words:
        return Found([], [], [])
    queens = BatchQueen.objects.filter(
        batch__season__cooperative=viewer.cooperative, queen__label__icontains=words, doses__isnull=False
    )
    lots = SemenLot.objects.filter(session__season__cooperative=viewer.cooperative, label__icontains=words)
    sources = DroneSource.objects.filter(season__cooperative=viewer.cooperative).filter(
        Q(name__icontains=words) | Q(letter__iexact=words)
    )
    return Found(
        list(queens.distinct().select_related("queen", "batch__member").order_by("-pk")[:MOST_FOUND]),
        list(lots.select_related("session__bench", "source").order_by("-opened_at")[:MOST_FOUND]),
        list(sources.select_related("season", "member").order_by("-season__year", "letter")[:MOST_FOUND]),
    )


def _doses(where: Q) -> list[TracedDose]:
    rows = list(
        Dose.objects.filter(where)
        .select_related(
            "batch_queen__queen",
            "batch_queen__batch__member",
            "lot__source",
            "session__bench",
            "given_by",
            "override_by",
        )
        .order_by("given_at", "pk")
    )
    changes = defaultdict(list)
    for change in TipChange.objects.filter(session__in={row.session_id for row in rows}).order_by("at", "pk"):
        changes[change.session_id, change.lot_id].append(change)
    return [TracedDose(row, _tip(row, changes[row.session_id, row.lot_id])) for row in rows]


def _tip(dose: Dose, changes: list[TipChange]) -> str:
    """The last one put in for this lot before the dose; the lot's first where it was opened at the same session."""
    before = [change.tip for change in changes if change.at <= dose.given_at]
    first = [dose.lot.tip] if dose.lot.session_id == dose.session_id else []
    return (first + before)[-1] if first or before else ""


def _lots(pks: set[int]) -> list[TracedLot]:
    tips = defaultdict(list)
    for change in TipChange.objects.filter(lot__in=pks).select_related("by", "session__bench").order_by("at", "pk"):
        tips[change.lot_id].append(change)
    parts = defaultdict(list)
    rows = LotMovement.objects.filter(lot__in=pks, kind=MovementKind.MIXED_IN, undone_at__isnull=True)
    for row in rows.select_related("other_lot").order_by("pk"):
        if row.other_lot is not None:
            parts[row.lot_id].append((row.other_lot, row.volume_tenths))
    views = lot_views(SemenLot.objects.filter(pk__in=pks).select_related("opened_by").order_by("opened_at", "pk"))
    return [TracedLot(view, tips[view.lot.pk], parts[view.lot.pk]) for view in views]


def _with_parts(lots: set[int]) -> set[int]:
    return _grown(lots, "lot", "other_lot")


def lots_with_mixtures(lots: set[int]) -> set[int]:
    return _grown(lots, "other_lot", "lot")


def _grown(lots: set[int], known: str, wanted: str) -> set[int]:
    found, edge = set(lots), set(lots)
    while edge:
        rows = LotMovement.objects.filter(
            kind=MovementKind.MIXED_IN, undone_at__isnull=True, **{f"{known}__in": edge}
        ).values_list(wanted, flat=True)
        edge = {pk for pk in rows if pk is not None} - found
        found |= edge
    return found


def _corrections(sessions: set[int]) -> list[AuditEntry]:
    """Everything added to these sessions after their end: before, after, who, when, why."""
    return list(
        AuditEntry.objects.filter(
            subject_type=BenchSession._meta.label_lower, subject_id__in=sessions, action="session.correct"
        ).order_by("at", "pk")
    )
