from django.conf import settings
from django.db import models

from accounts.models import Cooperative
from scheduling.models.session import Bench


class CalendarFeed(models.Model):
    """A calendar that programs fetch by a secret link: one's own, or that of a bench. The link itself is not kept."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="calendar_feeds")
    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="calendar_feeds")
    bench = models.ForeignKey(
        Bench, models.CASCADE, null=True, blank=True, related_name="calendar_feeds", help_text="Empty: one's own days."
    )
    token_hash = models.CharField(
        max_length=64,
        null=True,
        blank=True,
        unique=True,
        help_text="SHA-256 of the link; empty: none works.",
    )
    made_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "cooperative"], condition=models.Q(bench__isnull=True), name="feed_once_a_person"
            ),
            models.UniqueConstraint(
                fields=["person", "bench"], condition=models.Q(bench__isnull=False), name="feed_once_a_bench"
            ),
            models.CheckConstraint(
                condition=models.Q(token_hash__isnull=True) | models.Q(ended_at__isnull=True),
                name="feed_works",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bench or self.person}"


class FeedEntry(models.Model):
    """One event as a feed last showed it, so that a change is noticed, numbered and, when it is gone, called off."""

    feed = models.ForeignKey(CalendarFeed, models.CASCADE, related_name="entries")
    key = models.CharField(max_length=120, help_text="What it is about; stays when its date moves.")
    content = models.JSONField()
    sequence = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    cancelled_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        verbose_name_plural = "feed entries"
        constraints = [models.UniqueConstraint(fields=["feed", "key"], name="feed_entry_once")]

    def __str__(self) -> str:
        return f"{self.key} ({self.sequence})"
