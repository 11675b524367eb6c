import uuid

from django.conf import settings
from django.db import models

from breeding.models.colony import Colony
from breeding.models.queen import Queen
from breeding.models.trait import Trait


class Score(models.Model):
    """One observation of one colony on one day. A correction replaces it and keeps the earlier value."""

    colony = models.ForeignKey(Colony, models.CASCADE, related_name="scores")
    queen = models.ForeignKey(Queen, models.PROTECT, related_name="scores", help_text="Who headed it that day.")
    trait = models.ForeignKey(Trait, models.PROTECT, related_name="scores")
    scored_on = models.DateField()
    value = models.DecimalField(max_digits=9, decimal_places=3, help_text="In the trait's unit.")
    part = models.PositiveIntegerField(null=True, blank=True, help_text="Counted part, e.g. cells cleaned, mites.")
    whole = models.PositiveIntegerField(null=True, blank=True, help_text="Counted whole, e.g. cells pierced, bees.")
    method = models.CharField(max_length=40, blank=True, help_text="E.g. pin test; never mixed in one result.")
    hours = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True, help_text="Reading time.")
    scored_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    entry = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Sent twice, kept once.")
    replaced_by = models.OneToOneField("self", models.SET_NULL, null=True, blank=True, related_name="replaces")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-scored_on", "-pk"]
        indexes = [
            models.Index(fields=["trait", "queen"], name="score_by_trait_queen"),
            models.Index(fields=["recorded_at"], name="score_by_recording"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["colony", "trait", "scored_on", "method"],
                condition=models.Q(replaced_by__isnull=True, withdrawn_at__isnull=True),
                name="score_once_a_day",
            ),
            models.CheckConstraint(
                condition=models.Q(part__isnull=True, whole__isnull=True)
                | models.Q(part__isnull=False, whole__isnull=False, whole__gt=0),
                name="score_part_has_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.colony} {self.trait} {self.scored_on}: {self.value}"
