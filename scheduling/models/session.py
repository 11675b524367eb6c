from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _
from django.utils.translation import gettext_noop

from accounts.models import Cooperative
from accounts.told import Told, told
from scheduling.models.season import Season


class Bench(models.Model):
    """A place where queens are inseminated."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="benches")
    name = models.CharField(max_length=60)
    place = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "benches"
        constraints = [models.UniqueConstraint(fields=["cooperative", "name"], name="bench_name_unique")]

    def __str__(self) -> str:
        return self.name


class SessionState(models.TextChoices):
    OPEN = "open", _("Open for places")
    RUNNING = "running", _("Running")
    CLOSED = "closed", _("Closed")
    CANCELLED = "cancelled", _("Called off")


class BenchSession(models.Model):
    """One bench day at one bench. With places = 0 somebody is there for CO2 treatments only."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="sessions")
    bench = models.ForeignKey(Bench, models.PROTECT, related_name="sessions")
    day = models.DateField(help_text="Calendar day in the cooperative's zone.")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    operator = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="bench_sessions"
    )
    places = models.PositiveSmallIntegerField()
    operator_minutes = models.PositiveSmallIntegerField()
    collect_drones = models.PositiveSmallIntegerField(help_text="Drones the helpers can evert that day.")
    co2_capacity = models.PositiveSmallIntegerField(help_text="Queens that can get the other CO2 treatment.")
    state = models.CharField(max_length=10, choices=SessionState.choices, default=SessionState.OPEN)
    opened_at = models.DateTimeField(null=True, blank=True, help_text="Bench work began.")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    cautions_read_at = models.DateTimeField(null=True, blank=True)
    cautions_read_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    current_tip = models.CharField(max_length=40, blank=True, help_text="Tip in the holder now.")
    current_tip_source = models.ForeignKey(
        "DroneSource",
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="+",
        help_text="Source it has touched.",
    )
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["day", "starts_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["bench", "day"], condition=~models.Q(state="cancelled"), name="session_once_a_day"
            ),
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")), name="session_times_in_order"
            ),
            models.CheckConstraint(condition=models.Q(state__in=SessionState.values), name="session_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state="closed") | models.Q(closed_at__isnull=False),
                name="session_closed_when",
            ),
        ]

    def __str__(self) -> str:
        return str(self.told())

    def told(self) -> Told:
        return told(gettext_noop("%(bench)s, %(day)s")) % {"bench": self.bench, "day": self.day}
