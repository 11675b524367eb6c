import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.models.batch import BatchQueen


class Finding(models.TextChoices):
    NO_EGGS = "no_eggs", _("No eggs yet")
    EGGS = "eggs", _("Eggs")
    WORKER_BROOD = "worker_brood", _("Sealed worker brood")
    DRONE_BROOD = "drone_brood", _("Drone brood in worker cells")
    MIXED_BROOD = "mixed_brood", _("Worker and drone brood mixed")
    NOT_FOUND = "not_found", _("Queen not found")
    DEAD = "dead", _("Queen dead")
    WINTERED = "wintered", _("Alive after winter")


class Pattern(models.TextChoices):
    SOLID = "solid", _("Solid")
    SCATTERED = "scattered", _("Scattered")


class QueenCheck(models.Model):
    """What was found when an inseminated queen was looked at."""

    batch_queen = models.ForeignKey(BatchQueen, models.CASCADE, related_name="checks")
    checked_on = models.DateField()
    finding = models.CharField(max_length=12, choices=Finding.choices)
    pattern = models.CharField(max_length=10, choices=Pattern.choices, blank=True)
    brood_cells = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Brood viability: cells of one patch that were looked at."
    )
    brood_alive = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Brood viability: those of them that hold living brood."
    )
    note = models.CharField(max_length=200, blank=True)
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    entry = models.UUIDField(default=uuid.uuid4, unique=True)
    replaced_by = models.OneToOneField("self", models.SET_NULL, null=True, blank=True, related_name="replaces")

    class Meta:
        ordering = ["checked_on", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(finding__in=Finding.values), name="check_known_finding"),
            models.CheckConstraint(
                condition=models.Q(brood_cells__isnull=True, brood_alive__isnull=True)
                | models.Q(
                    brood_cells__isnull=False,
                    brood_alive__isnull=False,
                    brood_cells__gt=0,
                    brood_alive__lte=models.F("brood_cells"),
                ),
                name="check_brood_counted",
            ),
            models.UniqueConstraint(
                fields=["batch_queen", "checked_on"],
                condition=models.Q(replaced_by__isnull=True),
                name="check_once_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch_queen} {self.checked_on}: {self.get_finding_display()}"
