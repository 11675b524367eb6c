from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.models.batch import BatchQueen
from scheduling.models.booking import Booking
from scheduling.models.offer import Offer
from scheduling.models.plan import Plan, PlanPool
from scheduling.models.session import BenchSession
from scheduling.models.source import DroneSource


class PlaceState(models.TextChoices):
    OFFERED = "offered", _("Offered")
    HELD = "held", _("Held")
    DONE = "done", _("Done")
    NOT_USED = "not_used", _("Not used")
    FREED = "freed", _("Freed")


class BenchPlace(models.Model):
    """One numbered place at one session, given by a plan or offered. The database refuses to give it twice."""

    session = models.ForeignKey(BenchSession, models.CASCADE, related_name="bench_places")
    position = models.PositiveSmallIntegerField(help_text="Order at the bench, from 1.")
    plan = models.ForeignKey(Plan, models.CASCADE, related_name="bench_places")
    booking = models.ForeignKey(Booking, models.CASCADE, related_name="bench_places")
    offer = models.ForeignKey(Offer, models.SET_NULL, null=True, blank=True, related_name="places")
    batch_queen = models.ForeignKey(
        BatchQueen,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="bench_places",
        help_text="Which virgin: known once they have emerged.",
    )
    source = models.ForeignKey(DroneSource, models.PROTECT, null=True, blank=True, related_name="bench_places")
    pool = models.ForeignKey(PlanPool, models.SET_NULL, null=True, blank=True, related_name="bench_places")
    dose_tenths = models.PositiveSmallIntegerField()
    co2_before = models.BooleanField(default=True, help_text="The other CO2 treatment comes the day before.")
    is_second = models.BooleanField(default=False, help_text="For the second part of a split dose.")
    state = models.CharField(max_length=8, choices=PlaceState.choices, default=PlaceState.HELD)

    class Meta:
        ordering = ["session", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["session", "position"], condition=~models.Q(state="freed"), name="place_given_once"
            ),
            models.UniqueConstraint(
                fields=["session", "batch_queen"],
                condition=models.Q(batch_queen__isnull=False) & ~models.Q(state="freed"),
                name="place_queen_once_a_session",
            ),
            models.CheckConstraint(condition=models.Q(position__gt=0), name="place_from_one"),
            models.CheckConstraint(
                condition=models.Q(dose_tenths__gt=0, dose_tenths__lte=180), name="place_dose_range"
            ),
            models.CheckConstraint(condition=models.Q(state__in=PlaceState.values), name="place_known_state"),
        ]

    def __str__(self) -> str:
        return f"{self.session}, place {self.position}"
