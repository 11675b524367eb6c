"""Calendar feeds as their owner sees them."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import QuerySet

from accounts.access import Viewer, can_work_bench
from scheduling.models import Bench, CalendarFeed


@dataclass(frozen=True)
class FeedRow:
    """A calendar that the viewer may have. `bench` : None for one's own. `feed` : None when there was never a link."""

    bench: Bench | None
    feed: CalendarFeed | None

    @property
    def works(self) -> bool:
        return self.feed is not None and self.feed.token_hash is not None


def feeds_of(viewer: Viewer) -> QuerySet[CalendarFeed]:
    """One's own links; nobody sees another's, coordinators neither."""
    return CalendarFeed.objects.filter(person=viewer.person, cooperative=viewer.cooperative).select_related("bench")


def benches_of_feeds(viewer: Viewer) -> QuerySet[Bench]:
    benches = Bench.objects.filter(cooperative=viewer.cooperative)
    return benches if can_work_bench(viewer) else benches.none()


def feed_rows(viewer: Viewer, benches: Iterable[Bench]) -> list[FeedRow]:
    """One's own calendar first, then the benches; links to a bench that one no longer works at stay, to be ended."""
    feeds = {feed.bench_id: feed for feed in feeds_of(viewer)}
    shown: dict[int | None, Bench | None] = {None: None, **{bench.pk: bench for bench in benches}}
    shown |= {pk: feed.bench for pk, feed in feeds.items() if pk not in shown and feed.token_hash is not None}
    return [FeedRow(bench, feeds.get(pk)) for pk, bench in shown.items()]
