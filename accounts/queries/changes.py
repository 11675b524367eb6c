"""Whether anything was written in a cooperative since something was worked out."""

from django.contrib.admin.models import LogEntry
from django.db.models import Count, Max

from accounts.models import AuditEntry

Mark = tuple[int, int, int, int]


def changes_mark(cooperative_id: int) -> Mark:
    """How many writes a cooperative has seen and the latest of them; and the same of the keeper's pages (admin).

    Every write leaves its row in the history in its own transaction, the keeper's pages leave theirs in their own log,
    and no row is ever taken away: two equal marks see the same stock and the same season. Of two writes at once the
    later number may be seen first, so how many rows there are belongs to the mark.
    """
    entries = AuditEntry.objects.filter(cooperative=cooperative_id).aggregate(number=Count("pk"), latest=Max("pk"))
    by_hand = LogEntry.objects.aggregate(number=Count("pk"), latest=Max("pk"))
    return entries["number"], entries["latest"] or 0, by_hand["number"], by_hand["latest"] or 0
