from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative


class SeasonRule(models.TextChoices):
    """How single scores become a season's result; each trait's published rule."""

    MEAN = "mean", _("mean of all")
    LOWEST = "lowest", _("lowest of all")
    SUM = "sum", _("sum of all")
    RATIO = "ratio", _("sum over sum")


class Trait(models.Model):
    """A trait the cooperative scores, made from the published ones, with its own weight and starting parameters."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="traits")
    key = models.CharField(max_length=30, help_text="Key in breeding.scoring, which holds scale and anchors.")
    name = models.CharField(max_length=60)
    unit = models.CharField(max_length=20)
    season_rule = models.CharField(max_length=8, choices=SeasonRule.choices)
    high_is_good = models.BooleanField(default=True)
    in_evaluation = models.BooleanField(default=True)
    merit_weight = models.DecimalField(
        max_digits=4, decimal_places=2, default=0, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    phenotypic_sd = models.DecimalField(max_digits=8, decimal_places=3, help_text="Starting value, in the unit.")
    h2_worker = models.DecimalField(max_digits=4, decimal_places=3)
    h2_queen = models.DecimalField(max_digits=4, decimal_places=3)
    correlation_worker_queen = models.DecimalField(max_digits=4, decimal_places=3)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "key"], name="trait_key_unique"),
            models.CheckConstraint(condition=models.Q(season_rule__in=SeasonRule.values), name="trait_known_rule"),
            models.CheckConstraint(condition=models.Q(phenotypic_sd__gt=0), name="trait_sd_positive"),
            models.CheckConstraint(
                condition=models.Q(h2_worker__gte=0, h2_queen__gte=0, h2_worker__lt=1, h2_queen__lt=1)
                & models.Q(correlation_worker_queen__gt=-1, correlation_worker_queen__lt=1),
                name="trait_parameters_possible",
            ),
        ]

    def __str__(self) -> str:
        """Its published name, in the language of whoever reads."""
        return gettext(self.name)

    @property
    def shown_unit(self) -> str:
        return gettext(self.unit)
