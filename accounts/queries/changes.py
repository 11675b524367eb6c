"""Whether anything was written in a cooperative since something was worked out."""

from django.contrib.admin.models import LogEntry
from django.db.models import Count, Max

from accounts.models import AuditEntry

Mark = tuple[int, int, int, int, int]

#: Nobody's write lasts while so many others are written: a row with a lower number that is seen late is seen in these.
LATE = 2_000


def changes_mark(cooperative_id: int) -> Mark:
    """Which writes a cooperative has seen last, and how many; and the same of the keeper's pages (admin).

    Every write leaves its row in the history in its own transaction, the keeper's pages leave theirs in their own log,
    and no row is ever taken away: two equal marks see the same stock and the same season. Of two writes at once the
    later number may be seen first, so how many rows there are belongs to the mark: of the last ones, since counting
    the history of ten seasons takes longer than a page. Where they begin moves on in steps and belongs to it too.
    """
    last = AuditEntry.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
    since = max(0, last // LATE - 1) * LATE
    recent = AuditEntry.objects.filter(cooperative=cooperative_id, pk__gt=since)
    entries = recent.aggregate(number=Count("pk"), latest=Max("pk"))
    by_hand = LogEntry.objects.aggregate(number=Count("pk"), latest=Max("pk"))
    return since, entries["number"], entries["latest"] or 0, by_hand["number"], by_hand["latest"] or 0
