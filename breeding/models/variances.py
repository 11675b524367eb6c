from django.conf import settings
from django.db import models
from django.utils.translation import gettext, gettext_noop

from accounts.models import Cooperative, Job
from accounts.told import Told, ToldListField, told


class VarianceEstimate(models.Model):
    """Variances estimated from the cooperative's own data. Never edited; it does nothing until somebody adopts it."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="variance_estimates")
    number = models.PositiveIntegerField()
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="variance_estimate")
    made_at = models.DateTimeField()
    records_until = models.DateField(help_text="Scores up to this day took part.")
    queens = models.PositiveIntegerField()
    records = models.PositiveIntegerField()
    traits = models.JSONField(help_text="By trait key: estimates with errors, tests, how the search ended.")
    matrices = models.JSONField(help_text="Traits in order, G0, R0, permanent: of the traits that can be adopted.")
    together = models.JSONField(default=dict, blank=True, help_text="Correlations between traits, if asked for.")
    notes = ToldListField(default=list, blank=True, help_text="What was noticed in the data, in words.")
    seconds = models.FloatField(default=0)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "number"], name="variance_estimate_number_unique")
        ]

    def __str__(self) -> str:
        return str(self.told())

    def told(self) -> Told:
        return told(gettext_noop("Variance estimate %(number)s")) % {"number": str(self.number)}


class VarianceAdoption(models.Model):
    """From when on evaluations use which variances; the latest row counts. Without a row: the starting values."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="variance_adoptions")
    estimate = models.ForeignKey(
        VarianceEstimate, models.RESTRICT, null=True, blank=True, related_name="adoptions",
        help_text="Empty: back to the starting values.",
    )  # fmt: skip
    traits = models.JSONField(default=list, help_text="Keys of the traits that take the estimate.")
    adopted_at = models.DateTimeField()
    adopted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return str(self.estimate) if self.estimate else gettext("Starting values")
