from django.conf import settings
from django.db import models
from django.utils import timezone

from accounts.models import Cooperative
from breeding.models.queen import Queen


class PlannedCross(models.Model):
    """A mother with the drone sources a breeder wants for her daughters."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="planned_crosses")
    mother = models.ForeignKey(Queen, models.PROTECT, related_name="planned_crosses")
    season_year = models.PositiveSmallIntegerField()
    note = models.CharField(max_length=200, blank=True)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    planned_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-season_year", "mother"]
        verbose_name_plural = "planned crosses"

    def __str__(self) -> str:
        return f"{self.mother} {self.season_year}"


class CrossShare(models.Model):
    cross = models.ForeignKey(PlannedCross, models.CASCADE, related_name="shares")
    drone_queen = models.ForeignKey(Queen, models.PROTECT, related_name="cross_shares")
    share_permille = models.PositiveSmallIntegerField(default=1000)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["cross", "drone_queen"], name="cross_share_once"),
            models.CheckConstraint(
                condition=models.Q(share_permille__gt=0, share_permille__lte=1000), name="cross_share_range"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cross}: {self.drone_queen}"
