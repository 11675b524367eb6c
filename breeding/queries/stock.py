"""The stock as a viewer may see it: the whole cooperative's queens, colonies and scores are visible to its people."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Exists, F, Max, OuterRef, Prefetch, Q, QuerySet, Value
from django.db.models.functions import Lower

from accounts.access import Viewer
from accounts.models import Apiary, Cooperative
from breeding.models import (
    Colony,
    Heading,
    Line,
    Mating,
    MatingShare,
    Queen,
    QueenStatus,
    Score,
    SemenBatch,
    SemenBatchShare,
    Trait,
)
from breeding.models.queen import YEAR_OR_0

# The order of colonies in lists. It follows the names' unique indexes one in the other, so the first page of a large
# stock is read without its other colonies; the keys tell the databases that no two members or apiaries share a place.
BY_KEEPER = (
    Lower("apiary__member__name"),
    "apiary__member_id",
    Lower("apiary__name"),
    "apiary_id",
    Lower("name"),
    "pk",
)


def queens_seen_by(viewer: Viewer) -> QuerySet[Queen]:
    return Queen.objects.filter(cooperative=viewer.cooperative)


def queens_labelled(cooperative_id: int, label: str) -> QuerySet[Queen]:
    """The queen of that label, whatever the case of its letters: found along the index that keeps labels apart."""
    return Queen.objects.alias(low=Lower("label")).filter(cooperative=cooperative_id, low=Lower(Value(label)))


def colonies_seen_by(viewer: Viewer) -> QuerySet[Colony]:
    return Colony.objects.filter(apiary__member__cooperative=viewer.cooperative)


def apiaries_seen_by(viewer: Viewer) -> QuerySet[Apiary]:
    apiaries = Apiary.objects.filter(member__cooperative=viewer.cooperative, closed_on__isnull=True)
    return apiaries.select_related("member").order_by("member__name", "name")


def colonies_to_score(viewer: Viewer) -> QuerySet[Colony]:
    """Living colonies that the viewer writes scores for: those of the own members; all, for the coordinator."""
    return own_colonies(viewer).select_related("apiary__member__cooperative").order_by(*BY_KEEPER)


def scores_seen_by(viewer: Viewer) -> QuerySet[Score]:
    return Score.objects.filter(colony__apiary__member__cooperative=viewer.cooperative)


def lines_of(cooperative: Cooperative) -> QuerySet[Line]:
    return Line.objects.filter(cooperative=cooperative)


def semen_batches_of(cooperative: Cooperative) -> QuerySet[SemenBatch]:
    return SemenBatch.objects.filter(cooperative=cooperative)


def semen_batches_of_viewer(viewer: Viewer) -> QuerySet[SemenBatch]:
    return semen_batches_of(viewer.cooperative)


def traits_of(cooperative: Cooperative) -> QuerySet[Trait]:
    return Trait.objects.filter(cooperative=cooperative)


def open_apiaries_for(viewer: Viewer) -> QuerySet[Apiary]:
    """Apiaries at which the viewer may add colonies: those of the own members; all, for the coordinator."""
    apiaries = Apiary.objects.filter(member__cooperative=viewer.cooperative, closed_on__isnull=True)
    if not viewer.is_coordinator:
        apiaries = apiaries.filter(member__in=viewer.member_ids)
    return apiaries.select_related("member").order_by("member__name", "name")


def living(queens: QuerySet[Queen]) -> QuerySet[Queen]:
    return queens.exclude(status=QueenStatus.GONE)


def heading_now(colony: Colony) -> Heading | None:
    return Heading.objects.filter(colony=colony, until__isnull=True).select_related("queen").first()


def heading_on(colony: Colony, day: dt.date) -> Heading | None:
    """Whose workers were there that day. On the day of a requeening they are still those of the earlier queen."""
    return (
        Heading.objects.filter(colony=colony, since__lte=day)
        .filter(Q(until__isnull=True) | Q(until__gte=day))
        .select_related("queen")
        .order_by("since", "pk")
        .first()
    )


@dataclass(frozen=True)
class StockFilter:
    """What the list of colonies is narrowed to; it stands in the address."""

    text: str = ""
    everyone: bool = False
    with_ended: bool = False


def colonies_called(colonies: QuerySet[Colony], text: str) -> QuerySet[Colony]:
    """By their own name, their apiary's, or the label of the queen who heads them now."""
    headed = Heading.objects.filter(colony=OuterRef("pk"), until__isnull=True, queen__label__icontains=text)
    return colonies.filter(Q(name__icontains=text) | Q(apiary__name__icontains=text) | Exists(headed))


def colony_list(viewer: Viewer, wanted: StockFilter) -> QuerySet[Colony]:
    """Colonies with the queen who heads them now."""
    colonies = colonies_seen_by(viewer)
    if not wanted.everyone:
        colonies = colonies.filter(apiary__member__in=viewer.member_ids)
    if not wanted.with_ended:
        colonies = colonies.filter(ended_on__isnull=True)
    if wanted.text:
        colonies = colonies_called(colonies, wanted.text)
    return (
        colonies.select_related("apiary__member")
        .prefetch_related(
            Prefetch(
                "headings",
                Heading.objects.filter(until__isnull=True).select_related("queen__line"),
                to_attr="headings_now",
            )
        )
        .order_by(*BY_KEEPER)
    )


def last_scored(colonies: Iterable[Colony]) -> dict[int, dt.date]:
    """By colony: the day of its latest score that stands. For one page of colonies: it walks all their scores."""
    standing = Score.objects.filter(
        colony__in=[colony.pk for colony in colonies], replaced_by__isnull=True, withdrawn_at__isnull=True
    )
    return dict(standing.order_by().values_list("colony").annotate(day=Max("scored_on")).values_list("colony", "day"))


def queens_without_colony(viewer: Viewer, wanted: StockFilter) -> QuerySet[Queen]:
    """Living queens who head no colony now: virgins, queens in nucs that nobody registered."""
    queens = living(queens_seen_by(viewer)).filter(
        ~Exists(Heading.objects.filter(queen=OuterRef("pk"), until__isnull=True))
    )
    if not wanted.everyone:
        queens = queens.filter(owner__in=viewer.member_ids)
    if wanted.text:
        queens = queens.filter(Q(label__icontains=wanted.text) | Q(mark_number=wanted.text))
    return queens.select_related("owner", "line", "mother").order_by(YEAR_OR_0.desc(), "label")


def daughters_of(queen: Queen) -> QuerySet[Queen]:
    return (
        Queen.objects.filter(mother=queen)
        .select_related("owner")
        .order_by(F("birth_year").desc(nulls_last=True), "label")
    )


def headings_of_queen(queen: Queen) -> QuerySet[Heading]:
    return Heading.objects.filter(queen=queen).select_related("colony__apiary__member").order_by("-since")


def headings_of_colony(colony: Colony) -> QuerySet[Heading]:
    return Heading.objects.filter(colony=colony).select_related("queen").order_by("-since", "-pk")


def use_as_source(queen: Queen) -> int:
    """How many matings carry drones of this queen."""
    # From her shares to their matings: over both at once, joined, the database would go through every mating there is.
    own = MatingShare.objects.filter(drone_queen=queen).values("mating")
    batches = SemenBatchShare.objects.filter(drone_queen=queen).values("batch")
    return Mating.objects.filter(Q(pk__in=own) | Q(shared_batch__in=batches)).count()


def own_colonies_without_queen(viewer: Viewer) -> QuerySet[Colony]:
    """Colonies the viewer may act for that nobody heads now."""
    headed = Heading.objects.filter(colony=OuterRef("pk"), until__isnull=True)
    colonies = own_colonies(viewer).filter(~Exists(headed))
    return colonies.select_related("apiary").order_by("apiary__name", "name")


def own_colonies(viewer: Viewer) -> QuerySet[Colony]:
    """Living colonies the viewer may act for."""
    colonies = colonies_seen_by(viewer).filter(ended_on__isnull=True)
    return colonies if viewer.is_coordinator else colonies.filter(apiary__member__in=viewer.member_ids)


def living_mated(viewer: Viewer) -> QuerySet[Queen]:
    """Mated queens alive, the youngest first: whom to breed from where no evaluation says more."""
    queens = queens_seen_by(viewer).filter(status=QueenStatus.MATED).select_related("line")
    return queens.order_by(F("birth_year").desc(nulls_last=True), "label")


OFFERED: list[str] = [QueenStatus.MATED, QueenStatus.VIRGIN, QueenStatus.GONE]


def labels_to_offer(viewer: Viewer, among: QuerySet[Queen] | None = None, limit: int = 400) -> list[str]:
    """Labels for the list of the label fields: of `among`, or of queens that are mated; those gone last, by youth."""
    if among is None:
        gone = Q(status=QueenStatus.GONE, mating__isnull=False)
        among = queens_seen_by(viewer).filter(Q(status=QueenStatus.MATED) | gone)
    few = list(among.order_by().values_list("status", "birth_year", "label")[: limit + 1])
    if len(few) <= limit:
        few.sort(key=lambda row: (OFFERED.index(row[0]), -(row[1] or 0), row[2]))
        return [label for _status, _year, label in few]
    found: list[str] = []
    # One status after the other, and years unknown by themselves: each is read from the index, no further than needed.
    for status in OFFERED:
        for unknown in (False, True):
            if len(found) < limit:
                mine = among.filter(status=status, birth_year__isnull=unknown).order_by("-birth_year", "label")
                found += mine.values_list("label", flat=True)[: limit - len(found)]
    return found


def shares_of(mating: Mating) -> QuerySet[MatingShare] | QuerySet[SemenBatchShare]:
    """The drone sources of a mating, or of the batch it came from."""
    if mating.shared_batch is not None:
        return mating.shared_batch.shares.select_related("drone_queen")
    return mating.shares.select_related("drone_queen")
