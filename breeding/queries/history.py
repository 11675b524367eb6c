"""Who did what to a queen or a colony, with what hangs on it."""

from django.db.models import Q

from accounts.models import AuditEntry
from accounts.queries.history import HistoryRow, history_rows
from breeding.models import Colony, Mating, Queen, Score
from breeding.queries.duplicates import ids_merged_into

SHOWN_AT_MOST = 100


def history_of_queen(queen: Queen) -> list[HistoryRow]:
    matings = list(Mating.objects.filter(queen=queen).values_list("pk", flat=True))
    wanted = Q(subject_type="breeding.queen", subject_id__in=[queen.pk, *ids_merged_into(queen)])
    if matings:
        wanted |= Q(subject_type="breeding.mating", subject_id__in=matings)
    return _latest(queen.cooperative_id, wanted)


def history_of_colony(colony: Colony) -> list[HistoryRow]:
    scores = Score.objects.filter(colony=colony).values("pk")
    wanted = Q(subject_type="breeding.colony", subject_id=colony.pk) | Q(
        subject_type="breeding.score", subject_id__in=scores
    )
    return _latest(colony.apiary.member.cooperative_id, wanted)


def _latest(cooperative_id: int, wanted: Q) -> list[HistoryRow]:
    return history_rows(
        AuditEntry.objects.filter(wanted, cooperative=cooperative_id).order_by("-at", "-pk")[:SHOWN_AT_MOST]
    )
