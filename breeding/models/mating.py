from django.db import models
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative
from breeding.models.queen import Queen


class MatingKind(models.TextChoices):
    """How the drones came together; the relationship of her daughters depends on it."""

    SINGLE_DRONE = "single_drone", _("One single drone")
    DPQ = "dpq", _("Drones of one drone-producing queen")
    POOL = "pool", _("Semen of several drone-producing queens, mixed for her alone")
    BATCH = "batch", _("A homogenised batch shared with other queens")
    STATION = "station", _("Mating station (sister drone-producing queens)")
    OPEN = "open", _("Open mating, drones not known")


class SemenBatch(models.Model):
    """Homogenised semen of several sources, shared by several queens: one mixture for all of them."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="semen_batches")
    label = models.CharField(max_length=60)
    made_on = models.DateField(null=True, blank=True)
    total_tenths = models.PositiveIntegerField(help_text="Volume, tenths of a µl.")
    recorded_tenths = models.PositiveIntegerField(default=0, editable=False, help_text="Kept by the database.")
    is_complete = models.BooleanField(default=False, help_text="All shares are written and sum up.")

    class Meta:
        ordering = ["-made_on", "label"]
        verbose_name_plural = "semen batches"
        constraints = [
            models.UniqueConstraint(fields=["cooperative", "label"], name="semen_batch_label_unique"),
            models.CheckConstraint(condition=models.Q(total_tenths__gt=0), name="semen_batch_has_volume"),
            models.CheckConstraint(
                condition=models.Q(recorded_tenths__lte=models.F("total_tenths"))
                & (models.Q(is_complete=False) | models.Q(recorded_tenths=models.F("total_tenths"))),
                name="semen_batch_shares_sum_up",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class SemenBatchShare(models.Model):
    batch = models.ForeignKey(SemenBatch, models.CASCADE, related_name="shares")
    drone_queen = models.ForeignKey(Queen, models.PROTECT, related_name="batch_shares")
    volume_tenths = models.PositiveIntegerField()
    drones = models.PositiveIntegerField(null=True, blank=True, help_text="Drones that gave it, if counted.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "drone_queen"], name="batch_share_once"),
            models.CheckConstraint(condition=models.Q(volume_tenths__gt=0), name="batch_share_has_volume"),
            models.CheckConstraint(
                condition=models.Q(drones__isnull=True) | models.Q(drones__gt=0), name="batch_share_drones"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch}: {self.drone_queen}"


class Mating(models.Model):
    """What really happened: which drones' semen the queen carries. Shares sum up to the whole by constraint."""

    queen = models.OneToOneField(Queen, models.CASCADE, related_name="mating")
    kind = models.CharField(max_length=12, choices=MatingKind.choices)
    mated_on = models.DateField(null=True, blank=True)
    total_tenths = models.PositiveIntegerField(
        null=True, blank=True, help_text="Volume in all, tenths of a µl; empty when the volume is not known."
    )
    recorded_tenths = models.PositiveIntegerField(default=0, editable=False, help_text="Kept by the database.")
    is_complete = models.BooleanField(default=False, help_text="All shares are written and sum up.")
    drones = models.PositiveIntegerField(null=True, blank=True, help_text="Station or open mating: drones in all.")
    shared_batch = models.ForeignKey(SemenBatch, models.PROTECT, null=True, blank=True, related_name="matings")
    station_mother = models.ForeignKey(
        Queen,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="station_matings",
        help_text="Mother of the station's drone-producing queens.",
    )
    station_queens = models.PositiveSmallIntegerField(null=True, blank=True)
    place = models.CharField(max_length=80, blank=True, help_text="Station or open mating: where.")
    recorded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-mated_on", "queen"]
        constraints = [
            models.CheckConstraint(condition=models.Q(kind__in=MatingKind.values), name="mating_known_kind"),
            models.CheckConstraint(
                condition=models.Q(total_tenths__isnull=True) | models.Q(total_tenths__gt=0),
                name="mating_volume",
            ),
            models.CheckConstraint(
                condition=models.Q(total_tenths__isnull=True)
                | (
                    models.Q(recorded_tenths__lte=models.F("total_tenths"))
                    & (models.Q(is_complete=False) | models.Q(recorded_tenths=models.F("total_tenths")))
                ),
                name="mating_shares_sum_up",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="batch", shared_batch__isnull=False)
                | (~models.Q(kind="batch") & models.Q(shared_batch__isnull=True)),
                name="mating_batch_only_when_shared",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.queen}: {self.get_kind_display()}"


class MatingShare(models.Model):
    """One drone-producing queen's part. Volume when it is known (bench), weight 1:1 between rows otherwise."""

    mating = models.ForeignKey(Mating, models.CASCADE, related_name="shares")
    drone_queen = models.ForeignKey(Queen, models.PROTECT, related_name="mating_shares")
    volume_tenths = models.PositiveIntegerField(null=True, blank=True)
    drones = models.PositiveIntegerField(null=True, blank=True, help_text="Drones that gave it, if counted.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["mating", "drone_queen"], name="mating_share_once"),
            models.CheckConstraint(
                condition=models.Q(volume_tenths__isnull=True) | models.Q(volume_tenths__gt=0),
                name="mating_share_volume",
            ),
            models.CheckConstraint(
                condition=models.Q(drones__isnull=True) | models.Q(drones__gt=0), name="mating_share_drones"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mating.queen}: {self.drone_queen}"
