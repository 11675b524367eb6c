from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _
from django.utils.translation import gettext_noop, pgettext_lazy

from accounts.models import Job
from accounts.told import Told, told
from scheduling.models.booking import Booking
from scheduling.models.season import Season
from scheduling.models.session import BenchSession
from scheduling.models.source import DroneSource


class PlanState(models.TextChoices):
    SKETCH = "sketch", _("Sketch")
    WORKING = "working", _("Working out")
    TO_CHECK = "to_check", _("To check")
    PUBLISHED = "published", _("Published")
    CHANGED = "changed", _("Changed since published")
    CLOSED = "closed", pgettext_lazy("of a plan", "Closed")


class Plan(models.Model):
    """Who is inseminated when, from which source. Numbered when published; then only a next plan changes it."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="plans")
    number = models.PositiveIntegerField(null=True, blank=True, help_text="Given on publishing.")
    state = models.CharField(max_length=10, choices=PlanState.choices, default=PlanState.WORKING)
    based_on = models.ForeignKey("self", models.SET_NULL, null=True, blank=True, related_name="next_plans")
    base_version = models.PositiveIntegerField(
        null=True, blank=True, help_text="Version of the plan it is based on, as it was read."
    )
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="plan")
    problem = models.JSONField(default=dict, blank=True, help_text="The season/1 problem it was worked out from.")
    facts_mark = models.CharField(max_length=64, blank=True, help_text="Digest of the facts then; differs: changed.")
    result = models.JSONField(default=dict, blank=True, help_text="Served, bound, gap, solver, seed, seconds.")
    no_full_fit = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    published_at = models.DateTimeField(null=True, blank=True)
    published_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")

    class Meta:
        ordering = ["-created_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["season", "number"],
                condition=models.Q(number__isnull=False),
                name="plan_number_unique",
            ),
            models.UniqueConstraint(
                fields=["season"],
                condition=models.Q(state__in=["published", "changed"]),
                name="plan_one_in_force",
            ),
            models.CheckConstraint(condition=models.Q(state__in=PlanState.values), name="plan_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state__in=["published", "changed"])
                | models.Q(number__isnull=False, published_at__isnull=False),
                name="plan_published_has_number",
            ),
        ]

    def __str__(self) -> str:
        return str(self.told())

    def told(self) -> Told:
        if self.number:
            return told(gettext_noop("Plan %(number)s")) % {"number": str(self.number)}
        return told(gettext_noop("Sketch %(number)s")) % {"number": str(self.pk)}


class PlanPool(models.Model):
    """A homogenised pool the plan wants made in one session."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="pools")
    session = models.ForeignKey(BenchSession, models.CASCADE, related_name="+")
    name = models.CharField(max_length=40)

    class Meta:
        ordering = ["plan", "name"]
        constraints = [models.UniqueConstraint(fields=["plan", "name"], name="plan_pool_name")]

    def __str__(self) -> str:
        return self.name


class PlanPoolPart(models.Model):
    pool = models.ForeignKey(PlanPool, models.CASCADE, related_name="parts")
    source = models.ForeignKey(DroneSource, models.CASCADE, related_name="+")
    volume_tenths = models.DecimalField(max_digits=8, decimal_places=2, help_text="Tenths of a µl; parts are real.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["pool", "source"], name="plan_pool_part_once"),
            models.CheckConstraint(condition=models.Q(volume_tenths__gt=0), name="plan_pool_part_volume"),
        ]

    def __str__(self) -> str:
        return f"{self.pool}: {self.source}"


class Placement(models.Model):
    """So many queens of a booking in one session from one source (or pool), as the plan counts them."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="placements")
    booking = models.ForeignKey(Booking, models.CASCADE, related_name="placements")
    session = models.ForeignKey(BenchSession, models.CASCADE, related_name="placements")
    source = models.ForeignKey(DroneSource, models.CASCADE, null=True, blank=True, related_name="placements")
    pool = models.ForeignKey(PlanPool, models.CASCADE, null=True, blank=True, related_name="placements")
    queens = models.PositiveSmallIntegerField()
    co2_before = models.PositiveSmallIntegerField(default=0, help_text="Get the other CO2 the day before.")
    co2_after = models.PositiveSmallIntegerField(default=0, help_text="… or the day after.")
    frozen = models.BooleanField(default=False, help_text="The coordinator fixed it.")

    class Meta:
        ordering = ["session", "booking", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "booking", "session", "source"],
                condition=models.Q(source__isnull=False),
                name="placement_once",
            ),
            models.UniqueConstraint(
                fields=["plan", "booking", "session", "pool"],
                condition=models.Q(pool__isnull=False),
                name="placement_pool_once",
            ),
            models.CheckConstraint(
                condition=models.Q(source__isnull=False, pool__isnull=True)
                | models.Q(source__isnull=True, pool__isnull=False),
                name="placement_source_or_pool",
            ),
            models.CheckConstraint(condition=models.Q(queens__gt=0), name="placement_some_queens"),
            models.CheckConstraint(
                condition=models.Q(queens=models.F("co2_before") + models.F("co2_after")),
                name="placement_co2_adds_up",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.booking} on {self.session}"


class Unserved(models.Model):
    """Queens the plan has no place for, with the reasons."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="unserved")
    booking = models.ForeignKey(Booking, models.CASCADE, related_name="unserved")
    queens = models.PositiveSmallIntegerField()
    reasons = models.JSONField(default=list)
    ways = models.JSONField(default=list, help_text="What would give them a place, with the queens gained.")

    class Meta:
        ordering = ["plan", "booking"]
        verbose_name_plural = "unserved"
        constraints = [models.UniqueConstraint(fields=["plan", "booking"], name="unserved_once")]

    def __str__(self) -> str:
        return f"{self.booking}: {self.queens} without a place"


class DroneCall(models.Model):
    """Bring N drones of this source to this session: what a published plan asks of a keeper."""

    plan = models.ForeignKey(Plan, models.CASCADE, related_name="drone_calls")
    source = models.ForeignKey(DroneSource, models.CASCADE, related_name="drone_calls")
    session = models.ForeignKey(BenchSession, models.CASCADE, related_name="drone_calls")
    drones = models.PositiveIntegerField(help_text="With the reserve, rounded up.")
    volume_tenths = models.PositiveIntegerField(help_text="Semen the plan needs from it.")
    brought = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["session", "source"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "source", "session"], name="drone_call_once"),
            models.CheckConstraint(condition=models.Q(drones__gt=0), name="drone_call_some"),
        ]

    def __str__(self) -> str:
        return f"{self.drones} drones of {self.source} for {self.session}"
