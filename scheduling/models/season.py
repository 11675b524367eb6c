from django.conf import settings
from django.db import models
from django.utils.translation import gettext_noop

from accounts.models import Cooperative
from accounts.told import Told, told


class Season(models.Model):
    """One year's season of one cooperative."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="seasons")
    year = models.PositiveSmallIntegerField()
    starts_on = models.DateField()
    ends_on = models.DateField()
    closed_at = models.DateTimeField(null=True, blank=True)
    even_shares_first = models.BooleanField(
        default=True, help_text="Members with the smallest share first; else as many queens as possible."
    )
    given_counts = models.BooleanField(
        default=True, help_text="At equal shares, who gave more drones comes first; else who asked first."
    )
    offer_hours = models.PositiveSmallIntegerField(default=12, help_text="Hours to answer when a place is offered.")

    class Meta:
        ordering = ["-year"]
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "year"], name="season_once_a_year"),
            models.CheckConstraint(condition=models.Q(ends_on__gt=models.F("starts_on")), name="season_dates_in_order"),
            models.CheckConstraint(
                condition=models.Q(offer_hours__gte=1, offer_hours__lte=72), name="season_offer_hours_possible"
            ),
        ]

    def __str__(self) -> str:
        return str(self.told())

    def told(self) -> Told:
        return told(gettext_noop("Season %(year)s")) % {"year": str(self.year)}


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
