from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from accounts.models import Apiary, Member
from breeding.models import Queen
from scheduling.models.season import Season


def in_order(*names: str) -> models.Q:
    """Each known date is on or after every earlier-named known date."""
    condition = models.Q()
    for index, later in enumerate(names):
        for earlier in names[:index]:
            condition &= (
                models.Q(**{f"{later}__isnull": True})
                | models.Q(**{f"{earlier}__isnull": True})
                | models.Q(**{f"{later}__gte": models.F(earlier)})
            )
    return condition


class QueenBatch(models.Model):
    """Queens grafted together. Observed dates only: everything to come is worked out by planning.timing."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="batches")
    member = models.ForeignKey(Member, models.PROTECT, related_name="batches")
    apiary = models.ForeignKey(Apiary, models.PROTECT, null=True, blank=True, related_name="batches")
    name = models.CharField(max_length=40)
    mother = models.ForeignKey(Queen, models.PROTECT, related_name="batches")
    wanted_bench_on = models.DateField(null=True, blank=True, help_text="Bench day it is planned backwards from.")
    planned_graft_on = models.DateField(null=True, blank=True)
    confined_on = models.DateField(null=True, blank=True, help_text="Breeder queen confined to a comb.")
    grafted_on = models.DateField(null=True, blank=True)
    grafted_hour = models.PositiveSmallIntegerField(null=True, blank=True, validators=[MaxValueValidator(23)])
    cells_grafted = models.PositiveSmallIntegerField(null=True, blank=True)
    counted_on = models.DateField(null=True, blank=True, help_text="Started cells counted.")
    cells_started = models.PositiveSmallIntegerField(null=True, blank=True)
    sealed_on = models.DateField(null=True, blank=True)
    cell_temperature_c = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    caged_on = models.DateField(null=True, blank=True, help_text="Ripe cells caged or moved.")
    emerged_on = models.DateField(null=True, blank=True)
    emerged_hour = models.PositiveSmallIntegerField(null=True, blank=True, validators=[MaxValueValidator(23)])
    virgins_emerged = models.PositiveSmallIntegerField(null=True, blank=True)
    excluder_on = models.DateField(null=True, blank=True, help_text="Excluder fitted at every nuc.")
    first_co2_at = models.DateTimeField(null=True, blank=True, help_text="Given at home to the whole batch: its end.")
    first_co2_from = models.DateTimeField(null=True, blank=True, help_text="Its start, where it was noted.")
    eggs_seen_on = models.DateField(null=True, blank=True)
    closed_on = models.DateField(null=True, blank=True)
    closed_reason = models.CharField(max_length=120, blank=True)
    note = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["grafted_on", "planned_graft_on", "pk"]
        verbose_name_plural = "queen batches"
        constraints = [
            models.UniqueConstraint("season", Lower("name"), name="batch_name_unique"),
            models.CheckConstraint(
                condition=in_order("confined_on", "grafted_on", "sealed_on", "emerged_on", "eggs_seen_on"),
                name="batch_dates_in_order",
            ),
            models.CheckConstraint(
                condition=models.Q(cells_started__isnull=True)
                | models.Q(cells_grafted__isnull=True)
                | models.Q(cells_started__lte=models.F("cells_grafted")),
                name="batch_started_of_grafted",
            ),
            models.CheckConstraint(
                condition=models.Q(virgins_emerged__isnull=True)
                | models.Q(cells_started__isnull=True)
                | models.Q(virgins_emerged__lte=models.F("cells_started")),
                name="batch_emerged_of_started",
            ),
            models.CheckConstraint(
                condition=models.Q(first_co2_from__isnull=True) | models.Q(first_co2_at__gt=models.F("first_co2_from")),
                name="batch_co2_times_in_order",
            ),
            models.CheckConstraint(
                condition=models.Q(grafted_on__isnull=False) | models.Q(emerged_on__isnull=True),
                name="batch_emerged_after_graft",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class BenchState(models.TextChoices):
    """Where a single queen stands around her insemination."""

    WAITING = "waiting", _("Waiting")
    FIRST_CO2 = "first_co2", _("First CO2")
    ON_HOOK = "on_hook", _("On the hook")
    INSEMINATED = "inseminated", _("Inseminated")
    SECOND_CO2 = "second_co2", _("Second CO2")
    SET_ASIDE = "set_aside", _("Set aside")
    LOST = "lost", _("Lost")


class BatchQueen(models.Model):
    """A virgin of a batch. She becomes a `breeding.Queen` when she emerges and gets her label."""

    batch = models.ForeignKey(QueenBatch, models.CASCADE, related_name="batch_queens")
    queen = models.OneToOneField(Queen, models.CASCADE, related_name="batch_queen")
    number = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=12, choices=BenchState.choices, default=BenchState.WAITING)
    state_reason = models.CharField(max_length=160, blank=True)
    nuc = models.CharField(max_length=40, blank=True)
    excluder_confirmed_on = models.DateField(null=True, blank=True)
    gave_place_up_at = models.ForeignKey(
        "scheduling.BenchSession",
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="gave_place_up",
        help_text="Set aside or lost there; her place went on to another queen.",
    )

    class Meta:
        ordering = ["batch", "number"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "number"], name="batch_queen_number"),
            models.CheckConstraint(condition=models.Q(state__in=BenchState.values), name="batch_queen_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state__in=["set_aside", "lost"]) | ~models.Q(state_reason=""),
                name="batch_queen_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.queen.label
