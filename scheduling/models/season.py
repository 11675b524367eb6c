from django.conf import settings
from django.db import models

from accounts.models import Cooperative


class Season(models.Model):
    """One year's season of one cooperative."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="seasons")
    year = models.PositiveSmallIntegerField()
    starts_on = models.DateField()
    ends_on = models.DateField()
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-year"]
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "year"], name="season_once_a_year"),
            models.CheckConstraint(condition=models.Q(ends_on__gt=models.F("starts_on")), name="season_dates_in_order"),
        ]

    def __str__(self) -> str:
        return f"Season {self.year}"


class SeasonSetting(models.Model):
    """A figure of the trade as this season uses it. Without a row the default of `planning.facts` holds."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="settings")
    key = models.CharField(max_length=60)
    value = models.DecimalField(max_digits=10, decimal_places=3)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [models.UniqueConstraint(fields=["season", "key"], name="season_setting_once")]

    def __str__(self) -> str:
        return f"{self.key} = {self.value}"
