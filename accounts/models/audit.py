from typing import Any

from django.conf import settings
from django.db import models

from accounts.models.cooperative import Cooperative


class AuditEntry(models.Model):
    """Who did what, when, before and after. Written with the change, never edited."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, null=True, related_name="audit_entries")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    by_name = models.CharField(max_length=120, help_text="As it was then; the person may leave.")
    action = models.CharField(max_length=60)
    subject_type = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    subject_name = models.CharField(max_length=160, blank=True)
    before = models.JSONField(default=dict, blank=True)
    after = models.JSONField(default=dict, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-at", "-pk"]
        verbose_name_plural = "audit entries"
        indexes = [
            models.Index(fields=["subject_type", "subject_id", "-at"], name="audit_by_subject"),
            models.Index(fields=["cooperative", "-at"], name="audit_by_time"),
        ]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.by_name}: {self.action}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk is not None:
            raise TypeError("An audit entry is never edited.")
        super().save(*args, **kwargs)
