import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.models.session import BenchSession


class EntryState(models.TextChoices):
    HELD_BACK = "held_back", _("An earlier one is still to come")
    TAKEN = "taken", _("Sent")
    LOOK = "look", _("Needs a look")
    SETTLED = "settled", _("Looked at")


class BenchEntry(models.Model):
    """One tap at the bench, as the device kept it. Rows are added, never deleted; only what became of one changes."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False, help_text="Made on the device.")
    session = models.ForeignKey(BenchSession, models.PROTECT, related_name="entries")
    device = models.UUIDField(help_text="Of one person on one device.")
    number = models.PositiveIntegerField(null=True, help_text="Order on that device, from 1; empty: it came twice.")
    kind = models.CharField(max_length=12)
    facts = models.JSONField(default=dict)
    device_at = models.DateTimeField(help_text="By the device's own clock.")
    offset_ms = models.BigIntegerField(help_text="Server minus device, as it was measured. Milliseconds.")
    at = models.DateTimeField(help_text="When it happened: device time with the offset.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    received_at = models.DateTimeField()
    order = models.PositiveIntegerField(null=True, help_text="Order in which the session took it, from 1.")
    state = models.CharField(max_length=10, choices=EntryState.choices, default=EntryState.HELD_BACK)
    rule = models.CharField(max_length=40, blank=True, help_text="Why it needs a look.")
    words = models.TextField(blank=True, help_text="The same, as it was said.")
    on_record = models.TextField(blank=True, help_text="What stood on record then.")
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+")
    settled_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["received_at", "number"]
        verbose_name_plural = "bench entries"
        constraints = [
            models.UniqueConstraint(fields=["session", "device", "number"], name="entry_number_once"),
            models.UniqueConstraint(fields=["session", "order"], name="entry_order_once"),
            models.CheckConstraint(condition=models.Q(state__in=EntryState.values), name="entry_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state="taken") | models.Q(order__isnull=False), name="entry_taken_has_order"
            ),
            models.CheckConstraint(condition=~models.Q(state="look") | ~models.Q(words=""), name="entry_look_says_why"),
            models.CheckConstraint(
                condition=~models.Q(state="settled") | (models.Q(settled_at__isnull=False) & ~models.Q(settled_why="")),
                name="entry_settled_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"
