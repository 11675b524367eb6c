from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone

from accounts.models import Apiary
from breeding.models.queen import Queen


class Colony(models.Model):
    """A colony at an apiary. Who heads it, and since when, is in its headings."""

    apiary = models.ForeignKey(Apiary, models.PROTECT, related_name="colonies")
    name = models.CharField(max_length=40, help_text="Hive number or name at this apiary.")
    established_on = models.DateField(null=True, blank=True)
    ended_on = models.DateField(null=True, blank=True)
    ended_reason = models.CharField(max_length=120, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["apiary", "name"]
        verbose_name_plural = "colonies"
        constraints = [
            models.UniqueConstraint("apiary", Lower("name"), name="colony_name_unique"),
            models.CheckConstraint(
                condition=models.Q(ended_on__isnull=True)
                | models.Q(established_on__isnull=True)
                | models.Q(ended_on__gte=models.F("established_on")),
                name="colony_dates_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.apiary} {self.name}"


class Heading(models.Model):
    """A queen heads a colony from one day to another; scores belong to the queen of that day."""

    colony = models.ForeignKey(Colony, models.CASCADE, related_name="headings")
    queen = models.ForeignKey(Queen, models.PROTECT, related_name="headings")
    since = models.DateField()
    until = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["-since", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["colony"], condition=models.Q(until__isnull=True), name="colony_has_one_queen_now"
            ),
            models.UniqueConstraint(
                fields=["queen"], condition=models.Q(until__isnull=True), name="queen_heads_one_colony_now"
            ),
            models.CheckConstraint(
                condition=models.Q(until__isnull=True) | models.Q(until__gte=models.F("since")),
                name="heading_dates_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.queen} in {self.colony}"
