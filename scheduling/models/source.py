from django.conf import settings
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from accounts.models import Apiary, Member
from breeding.models import Queen
from scheduling.models.batch import in_order
from scheduling.models.season import Season
from scheduling.models.session import Bench


class DroneSource(models.Model):
    """A drone-producing queen's colony offered for this season."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="sources")
    member = models.ForeignKey(Member, models.PROTECT, related_name="drone_sources")
    apiary = models.ForeignKey(Apiary, models.PROTECT, null=True, blank=True, related_name="drone_sources")
    drone_queen = models.ForeignKey(Queen, models.PROTECT, related_name="drone_sources")
    name = models.CharField(max_length=40)
    letter = models.CharField(max_length=2, help_text="Letter in the disc, the same everywhere this season.")
    usable_share = models.DecimalField(
        max_digits=4,
        decimal_places=3,
        null=True,
        blank=True,
        help_text="Drones that give semen; empty: setting.",
    )
    ul_per_drone = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)
    daily_survival = models.DecimalField(max_digits=4, decimal_places=3, null=True, blank=True)
    benches = models.ManyToManyField(Bench, blank=True, related_name="sources", help_text="Empty: every bench.")
    share_cap_permille = models.PositiveSmallIntegerField(null=True, blank=True)
    share_target_permille = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Share of the season's semen the coordinator aims at."
    )
    health_certificate = models.CharField(max_length=80, blank=True)
    health_valid_until = models.DateField(null=True, blank=True)
    hold_since = models.DateField(null=True, blank=True)
    hold_reason = models.CharField(max_length=200, blank=True)
    offered_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["season", "letter"]
        constraints = [
            models.UniqueConstraint("season", Lower("name"), name="source_name_unique"),
            models.UniqueConstraint(fields=["season", "letter"], name="source_letter_unique"),
            models.UniqueConstraint(
                fields=["season", "drone_queen"],
                condition=models.Q(withdrawn_at__isnull=True),
                name="source_queen_once_a_season",
            ),
            models.CheckConstraint(
                condition=models.Q(hold_since__isnull=True) | ~models.Q(hold_reason=""),
                name="source_hold_says_why",
            ),
            models.CheckConstraint(
                condition=(models.Q(usable_share__isnull=True) | models.Q(usable_share__gt=0, usable_share__lte=1))
                & (models.Q(daily_survival__isnull=True) | models.Q(daily_survival__gt=0, daily_survival__lte=1))
                & (models.Q(ul_per_drone__isnull=True) | models.Q(ul_per_drone__gt=0)),
                name="source_figures_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class DroneCohort(models.Model):
    """Drones of one comb of a source. Observed dates only; ripeness is worked out by planning.timing."""

    source = models.ForeignKey(DroneSource, models.CASCADE, related_name="cohorts")
    number = models.PositiveSmallIntegerField()
    promised_comb_on = models.DateField(null=True, blank=True)
    comb_in_on = models.DateField(null=True, blank=True)
    laid_on = models.DateField(null=True, blank=True, help_text="First eggs seen.")
    capped_on = models.DateField(null=True, blank=True)
    emerged_on = models.DateField(null=True, blank=True, help_text="First drones emerged.")
    marked_on = models.DateField(null=True, blank=True, help_text="Marked or confined.")
    ended_on = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["source", "number"]
        constraints = [
            models.UniqueConstraint(fields=["source", "number"], name="cohort_number_unique"),
            models.CheckConstraint(
                condition=in_order("comb_in_on", "laid_on", "capped_on", "emerged_on", "ended_on"),
                name="cohort_dates_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.source} {self.number}"


class CountKind(models.TextChoices):
    PROMISED = "promised", _("Promised")
    CAPPED = "capped", _("Capped cells")
    EMERGED = "emerged", _("Emerged")
    SEEN = "seen", _("Seen at the colony")


class DroneCount(models.Model):
    """One count of one cohort. A correction replaces it; the forecast never does."""

    cohort = models.ForeignKey(DroneCohort, models.CASCADE, related_name="counts")
    kind = models.CharField(max_length=10, choices=CountKind.choices)
    counted_on = models.DateField()
    number = models.PositiveIntegerField()
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    replaced_by = models.OneToOneField("self", models.SET_NULL, null=True, blank=True, related_name="replaces")

    class Meta:
        ordering = ["-counted_on", "-pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(kind__in=CountKind.values), name="count_known_kind"),
            models.UniqueConstraint(
                fields=["cohort", "kind", "counted_on"],
                condition=models.Q(replaced_by__isnull=True),
                name="count_once_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cohort}: {self.number} {self.get_kind_display()}"
