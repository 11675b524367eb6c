import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative
from scheduling.models.session import BenchSession


class EntryState(models.TextChoices):
    HELD_BACK = "held_back", _("An earlier one is still to come")
    TAKEN = "taken", _("Sent")
    LOOK = "look", _("Needs a look")
    SETTLED = "settled", _("Looked at")


class KeptEntry(models.Model):
    """What a device kept and sent. Rows are added, never deleted; only what became of one changes."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False, help_text="Made on the device.")
    device = models.UUIDField(help_text="Of one person on one device.")
    number = models.PositiveIntegerField(null=True, help_text="Order on that device, from 1; empty: it came twice.")
    kind = models.CharField(max_length=12)
    facts = models.JSONField(default=dict)
    device_at = models.DateTimeField(help_text="By the device's own clock.")
    offset_ms = models.BigIntegerField(help_text="Server minus device, as it was measured. Milliseconds.")
    at = models.DateTimeField(help_text="When it happened: device time with the offset.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    received_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=EntryState.choices, default=EntryState.HELD_BACK)
    rule = models.CharField(max_length=40, blank=True, help_text="Why it needs a look.")
    words = models.TextField(blank=True, help_text="The same, as it was said.")
    on_record = models.TextField(blank=True, help_text="What stood on record then.")
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+")
    settled_why = models.CharField(max_length=200, blank=True)

    class Meta:
        abstract = True
        ordering = ["received_at", "number"]

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"


def _states_say_why(name: str) -> list[models.CheckConstraint]:
    return [
        models.CheckConstraint(condition=models.Q(state__in=EntryState.values), name=f"{name}_known_state"),
        models.CheckConstraint(condition=~models.Q(state="look") | ~models.Q(words=""), name=f"{name}_look_says_why"),
        models.CheckConstraint(
            condition=~models.Q(state="settled") | (models.Q(settled_at__isnull=False) & ~models.Q(settled_why="")),
            name=f"{name}_settled_says_why",
        ),
    ]


class BenchEntry(KeptEntry):
    """One tap at the bench, as the device kept it."""

    session = models.ForeignKey(BenchSession, models.PROTECT, related_name="entries")
    order = models.PositiveIntegerField(null=True, help_text="Order in which the session took it, from 1.")

    class Meta(KeptEntry.Meta):
        verbose_name_plural = "bench entries"
        constraints = [
            models.UniqueConstraint(fields=["session", "device", "number"], name="entry_number_once"),
            models.UniqueConstraint(fields=["session", "order"], name="entry_order_once"),
            models.CheckConstraint(
                condition=~models.Q(state="taken") | models.Q(order__isnull=False), name="entry_taken_has_order"
            ),
            *_states_say_why("entry"),
        ]


class HiveEntry(KeptEntry):
    """What a member wrote down at the hives or said of a reminder, as the device kept it."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="hive_entries")

    class Meta(KeptEntry.Meta):
        verbose_name_plural = "hive entries"
        indexes = [models.Index(fields=["by", "state"], name="hive_entry_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "device", "number"], name="hive_entry_number_once"),
            *_states_say_why("hive_entry"),
        ]
