"""How well the bench work turned out, from the checks that hold."""

from collections import Counter
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery

from scheduling.models import BatchQueen, BenchSession, BenchState, Finding, QueenCheck, Season, SessionState

SMALL = 20  # fewer queens than this say little; the page says so


@dataclass(frozen=True)
class SessionOutcome:
    session: BenchSession
    queens: int
    looked_at: int
    eggs: int
    worker_brood: int
    failed: int
    lost: int


def outcomes_of(season: Season) -> list[SessionOutcome]:
    """One row a closed session: of the queens given semen there, what the last look at each found."""
    last = QueenCheck.objects.filter(batch_queen=OuterRef("pk"), replaced_by__isnull=True).order_by(
        "-checked_on", "-pk"
    )
    rows = (
        BatchQueen.objects.filter(doses__session__season=season, doses__undone_at__isnull=True)
        .annotate(last_finding=Subquery(last.values("finding")[:1]))
        .values_list("doses__session", "pk", "state", "last_finding")
        .distinct()
    )
    found: dict[int, Counter[str]] = {}
    for session_id, _pk, state, finding in rows:
        counts = found.setdefault(session_id, Counter())
        counts["queens"] += 1
        counts["looked_at"] += finding is not None
        counts[finding or "not_yet"] += 1
        counts["lost"] += state == BenchState.LOST
    sessions = BenchSession.objects.filter(season=season, state=SessionState.CLOSED).select_related("bench", "operator")
    return [
        SessionOutcome(
            session=session,
            queens=counts["queens"],
            looked_at=counts["looked_at"],
            eggs=counts[Finding.EGGS],
            worker_brood=counts[Finding.WORKER_BROOD],
            failed=counts[Finding.DRONE_BROOD] + counts[Finding.MIXED_BROOD],
            lost=counts["lost"],
        )
        for session in sessions.order_by("-day")
        if (counts := found.get(session.pk, Counter()))["queens"]
    ]
