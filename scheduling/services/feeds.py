"""Calendar feeds: a secret link that is shown once, renewed or ended at any time, and what programs fetch by it."""

import datetime as dt
import hashlib
import secrets
from collections.abc import Iterable
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.access import Viewer, can_work_bench, viewer_of
from accounts.languages import speaking_to
from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import Bench, CalendarFeed, FeedEntry
from scheduling.planning.timing import elapsed_after
from scheduling.queries.feed_events import FeedEvent, events_of_bench, events_of_person
from scheduling.services.feed_file import feed_file

TOKEN_BYTES = 32
CANCELLED_HOURS = 30 * 24  # how long a feed says that something was called off
USE_NOTED_HOURS = 1


def feed_make(viewer: Viewer, *, bench: Bench | None, now: dt.datetime) -> tuple[CalendarFeed, str]:
    """Make the link, or a new one in its place: the earlier one ends at once. Returns the secret, never seen again."""
    _require_bench(viewer, bench)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with transaction.atomic():
        Person.objects.select_for_update(of=("self",)).get(pk=viewer.person.pk)
        feed = CalendarFeed.objects.filter(person=viewer.person, cooperative=viewer.cooperative, bench=bench).first()
        renewed = feed is not None and feed.token_hash is not None
        feed = feed or CalendarFeed(person=viewer.person, cooperative=viewer.cooperative, bench=bench)
        feed.token_hash, feed.made_at, feed.ended_at, feed.last_used_at = _hash(token), now, None, None
        feed.save()
        _record(feed, "feed.renew" if renewed else "feed.make", by=viewer.person, now=now)
    return feed, token


def feed_end(feed: CalendarFeed, *, by: Person, now: dt.datetime) -> CalendarFeed:
    """The link works no more, at once. Ending twice is once."""
    with transaction.atomic():
        row = CalendarFeed.objects.select_for_update(of=("self",)).get(pk=feed.pk)
        if row.token_hash is not None:
            row.token_hash, row.ended_at = None, now
            row.save(update_fields=["token_hash", "ended_at"])
            _record(row, "feed.end", by=by, now=now)
    return row


def feed_of_token(token: str) -> tuple[CalendarFeed, Viewer] | None:
    """Whose feed a link is, if it works and the person may still see it."""
    feeds = CalendarFeed.objects.select_related("person", "cooperative", "bench")
    feed = feeds.filter(token_hash=_hash(token), person__is_active=True).first()
    viewer = viewer_of(feed.person, feed.cooperative_id) if feed else None
    if feed is None or viewer is None or viewer.cooperative != feed.cooperative:
        return None
    if feed.bench is not None and not can_work_bench(viewer):
        return None
    return feed, viewer


def feed_fetch(feed: CalendarFeed, viewer: Viewer, *, now: dt.datetime) -> bytes:
    """The file as it is now. What changed since the last time gets the next number; what is gone is called off."""
    used = CalendarFeed.objects.filter(pk=feed.pk)
    used.filter(Q(last_used_at=None) | Q(last_used_at__lt=elapsed_after(now, -USE_NOTED_HOURS))).update(
        last_used_at=now
    )
    with speaking_to(feed.person, feed.cooperative):
        events = events_of_bench(feed.bench, now=now) if feed.bench else events_of_person(viewer, now=now)
        return feed_file(feed, feed_entries_refresh(feed, events, now=now))


def feed_entries_refresh(feed: CalendarFeed, events: Iterable[FeedEvent], *, now: dt.datetime) -> list[FeedEntry]:
    """Bring the entries in line with the events, and return them all, cancelled ones too."""
    wanted = {event.key: _content(event) for event in events}
    kept = {entry.key: entry for entry in feed.entries.all()}
    if all(_stands(kept.get(key), content) for key, content in wanted.items()) and not _outdated(kept, wanted, now):
        return list(kept.values())
    with transaction.atomic():
        CalendarFeed.objects.select_for_update(of=("self",)).get(pk=feed.pk)
        kept = {entry.key: entry for entry in feed.entries.all()}
        _write(feed, wanted, kept, now=now)
    return list(feed.entries.all())


def _write(
    feed: CalendarFeed, wanted: dict[str, dict[str, Any]], kept: dict[str, FeedEntry], *, now: dt.datetime
) -> None:
    new = [
        FeedEntry(feed=feed, key=key, content=content, created_at=now, changed_at=now)
        for key, content in wanted.items()
        if key not in kept
    ]
    changed = [kept[key] for key, content in wanted.items() if key in kept and not _stands(kept[key], content)]
    for entry in changed:
        entry.content, entry.cancelled_at = wanted[entry.key], None
    gone = [entry for key, entry in kept.items() if key not in wanted and entry.cancelled_at is None]
    for entry in gone:
        entry.cancelled_at = now
    for entry in (*changed, *gone):
        entry.sequence, entry.changed_at = entry.sequence + 1, now
    FeedEntry.objects.bulk_create(new)
    FeedEntry.objects.bulk_update(
        [*changed, *gone], ["content", "cancelled_at", "sequence", "changed_at"], batch_size=200
    )
    feed.entries.filter(cancelled_at__lt=elapsed_after(now, -CANCELLED_HOURS)).delete()


def _stands(entry: FeedEntry | None, content: dict[str, Any]) -> bool:
    return entry is not None and entry.cancelled_at is None and entry.content == content


def _outdated(kept: dict[str, FeedEntry], wanted: dict[str, dict[str, Any]], now: dt.datetime) -> bool:
    """Something to be called off, or called off long enough."""
    ends = elapsed_after(now, -CANCELLED_HOURS)
    return any(
        entry.cancelled_at < ends if entry.cancelled_at is not None else key not in wanted
        for key, entry in kept.items()
    )


def _content(event: FeedEvent) -> dict[str, Any]:
    return {
        "title": event.title,
        "text": event.text,
        "link": event.link,
        "start": event.start.isoformat(),
        "end": event.end.isoformat(),
        "all_day": not isinstance(event.start, dt.datetime),
        "alarms_min": event.alarms_min,
        "busy": event.busy,
    }


def _hash(token: str) -> str:
    """The secret is random enough that a plain digest gives nothing away."""
    return hashlib.sha256(token.encode()).hexdigest()


def _require_bench(viewer: Viewer, bench: Bench | None) -> None:
    if bench is not None and not (bench.cooperative_id == viewer.cooperative.pk and can_work_bench(viewer)):
        raise Refusal(_("The calendar of a bench is for those who work there."), rule="feed_bench")


def _record(feed: CalendarFeed, action: str, *, by: Person, now: dt.datetime) -> None:
    audit_record(
        feed.person,
        action=action,
        by=by,
        now=now,
        cooperative=feed.cooperative,
        after={"calendar": feed.bench.name if feed.bench else "own"},
    )
