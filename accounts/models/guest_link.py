from django.conf import settings
from django.db import models

from accounts.models.cooperative import Cooperative


class GuestLink(models.Model):
    """Whoever has the link reads one card, without signing in. The link itself is not kept."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="guest_links")
    subject_type = models.CharField(max_length=40, help_text="Kind of thing the card is about, as in the history.")
    subject_id = models.BigIntegerField()
    name = models.CharField(max_length=80, help_text="What it is for, in the words of whoever made it.")
    token_hash = models.CharField(max_length=64, unique=True, help_text="SHA-256 of what stands in the link.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        indexes = [models.Index(fields=["subject_type", "subject_id", "ended_at"], name="guest_link_of_thing")]

    def __str__(self) -> str:
        return f"{self.subject_type} {self.subject_id}: {self.name}"
