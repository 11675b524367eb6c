import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from breeding.models import SemenBatch
from scheduling.models.batch import BatchQueen
from scheduling.models.place import BenchPlace
from scheduling.models.session import BenchSession
from scheduling.models.source import DroneSource


class LotState(models.TextChoices):
    OPEN = "open", _("Open")
    STORED = "stored", _("Stored")
    USED_UP = "used_up", _("Used up")
    DISCARDED = "discarded", _("Discarded")


class SemenLot(models.Model):
    """Semen collected in one go from one source or from a pool (then it has `parts`), or mixed from several lots."""

    session = models.ForeignKey(BenchSession, models.PROTECT, related_name="lots", help_text="Where it was collected.")
    source = models.ForeignKey(
        DroneSource,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="lots",
        help_text="Empty for a mixture and a pool.",
    )
    label = models.CharField(max_length=40)
    tip = models.CharField(max_length=40, help_text="Tip it was collected with.")
    drones_from_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Youngest drones, age in days."
    )
    drones_to_days = models.PositiveSmallIntegerField(null=True, blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    state = models.CharField(max_length=10, choices=LotState.choices, default=LotState.OPEN)
    closed_at = models.DateTimeField(null=True, blank=True)
    storage_note = models.CharField(max_length=120, blank=True, help_text="Where and at what temperature.")
    viability_checked_on = models.DateField(null=True, blank=True)
    viability_percent = models.PositiveSmallIntegerField(null=True, blank=True)
    semen_batch = models.OneToOneField(
        SemenBatch, models.SET_NULL, null=True, blank=True, related_name="lot", help_text="For a mixture."
    )
    entry = models.UUIDField(default=uuid.uuid4, unique=True)

    class Meta:
        ordering = ["opened_at", "pk"]
        indexes = [models.Index(fields=["state", "opened_at"], name="lot_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["session", "label"], name="lot_label_unique"),
            models.CheckConstraint(condition=models.Q(state__in=LotState.values), name="lot_known_state"),
            models.CheckConstraint(
                condition=models.Q(drones_from_days__isnull=True)
                | models.Q(drones_to_days__isnull=True)
                | models.Q(drones_to_days__gte=models.F("drones_from_days")),
                name="lot_drone_ages_in_order",
            ),
            models.CheckConstraint(
                condition=models.Q(viability_percent__isnull=True) | models.Q(viability_percent__lte=100),
                name="lot_viability_percent",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class LotPart(models.Model):
    """A source of a lot collected from a pool: drones of several sources together, whose own cannot be told apart."""

    lot = models.ForeignKey(SemenLot, models.CASCADE, related_name="parts")
    source = models.ForeignKey(DroneSource, models.PROTECT, related_name="lot_parts")
    drones = models.PositiveSmallIntegerField(help_text="Put into the pool: its share of the semen follows them.")
    undone_at = models.DateTimeField(null=True, blank=True, help_text="Corrected: no longer counts.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "source"], condition=models.Q(undone_at__isnull=True), name="lot_part_once"
            ),
            models.CheckConstraint(condition=models.Q(drones__gt=0), name="lot_part_some_drones"),
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.drones} of {self.source}"


class LotMark(models.Model):
    """Another number whenever something changes that a session's lots teach. The database itself writes it."""

    session_id = models.BigIntegerField(primary_key=True, help_text="Of the bench session; 0: of all of them.")
    mark = models.BigIntegerField(help_text="Another one after each change.")

    class Meta:
        ordering = ["session_id"]
        verbose_name = "mark of a session's lots"
        verbose_name_plural = "marks of sessions' lots"

    def __str__(self) -> str:
        return f"{self.session_id}: {self.mark}"


class TipChange(models.Model):
    """A new or cleaned tip put into the holder, for semen of one lot. The lot's first tip stands in the lot."""

    session = models.ForeignKey(BenchSession, models.PROTECT, related_name="tip_changes")
    lot = models.ForeignKey(SemenLot, models.PROTECT, related_name="tip_changes")
    tip = models.CharField(max_length=40)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    entry = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Sent twice, kept once.")

    class Meta:
        ordering = ["at", "pk"]
        constraints = [models.CheckConstraint(condition=~models.Q(tip=""), name="tip_change_named")]

    def __str__(self) -> str:
        return f"{self.lot}: {self.tip}"


class TallyOutcome(models.TextChoices):
    USABLE = "usable", _("Gave semen")
    NONE = "none", _("Gave none")
    IMMATURE = "immature", _("Not mature")
    BROKE = "broke", _("Broke")
    SOILED = "soiled", _("Soiled")
    MUCUS = "mucus", _("Mucus only")


class DroneTally(models.Model):
    """One tap: so many drones of a lot with this outcome. A tap taken back is a row with `undone_at`."""

    lot = models.ForeignKey(SemenLot, models.CASCADE, related_name="tallies")
    outcome = models.CharField(max_length=10, choices=TallyOutcome.choices)
    drones = models.PositiveSmallIntegerField(default=1)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    entry = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Sent twice, kept once.")
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["at", "pk"]
        verbose_name_plural = "drone tallies"
        constraints = [
            models.CheckConstraint(condition=models.Q(outcome__in=TallyOutcome.values), name="tally_known_outcome"),
            models.CheckConstraint(condition=models.Q(drones__gt=0), name="tally_some_drones"),
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.drones} {self.outcome}"


class MovementKind(models.TextChoices):
    COLLECTED = "collected", _("Collected")
    MIXED_IN = "mixed_in", _("Mixed in from another lot")
    MIXED_OUT = "mixed_out", _("Given to a mixture")
    DISCARDED = "discarded", _("Discarded")
    LOST = "lost", _("Lost")
    STORED = "stored", _("Stored")


class LotMovement(models.Model):
    """A volume into or out of a lot. What a lot holds = collected + mixed in − doses − the rest."""

    lot = models.ForeignKey(SemenLot, models.CASCADE, related_name="movements")
    kind = models.CharField(max_length=10, choices=MovementKind.choices)
    volume_tenths = models.PositiveIntegerField(help_text="Tenths of a µl.")
    other_lot = models.ForeignKey(SemenLot, models.PROTECT, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=160, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    entry = models.UUIDField(default=uuid.uuid4, unique=True)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(kind__in=MovementKind.values), name="movement_known_kind"),
            models.CheckConstraint(condition=models.Q(volume_tenths__gt=0), name="movement_some_volume"),
            models.CheckConstraint(
                condition=~models.Q(kind__in=["discarded", "lost"]) | ~models.Q(reason=""),
                name="movement_says_why",
            ),
            models.CheckConstraint(
                condition=~models.Q(kind__in=["mixed_in", "mixed_out"]) | models.Q(other_lot__isnull=False),
                name="movement_mixing_names_lot",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.kind} {self.volume_tenths / 10} µl"


class Dose(models.Model):
    """Semen given to one queen from one lot: what her mating is made of."""

    place = models.ForeignKey(BenchPlace, models.PROTECT, null=True, blank=True, related_name="doses")
    batch_queen = models.ForeignKey(BatchQueen, models.PROTECT, related_name="doses")
    session = models.ForeignKey(BenchSession, models.PROTECT, related_name="doses")
    lot = models.ForeignKey(SemenLot, models.PROTECT, related_name="doses")
    volume_tenths = models.PositiveSmallIntegerField(help_text="Tenths of a µl.")
    given_at = models.DateTimeField()
    given_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    leak_back = models.BooleanField(default=False)
    resistance = models.BooleanField(default=False)
    second_planned = models.BooleanField(default=False, help_text="First part of a split dose.")
    override_reason = models.CharField(max_length=200, blank=True, help_text="Why a rule was set aside, and which.")
    override_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+")
    entry = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Sent twice, kept once.")
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["given_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(volume_tenths__gt=0)
                & (models.Q(volume_tenths__lte=180) | ~models.Q(override_reason="")),
                name="dose_up_to_18_ul",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch_queen}: {self.volume_tenths / 10} µl of {self.lot}"


class Co2Treatment(models.Model):
    """One CO2 exposure of one queen: from gas on to gas off, as it really was."""

    batch_queen = models.ForeignKey(BatchQueen, models.CASCADE, related_name="co2_treatments")
    session = models.ForeignKey(BenchSession, models.SET_NULL, null=True, blank=True, related_name="co2_treatments")
    with_insemination = models.BooleanField(default=False)
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    gas_percent = models.PositiveSmallIntegerField(default=100)
    given_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    entry = models.UUIDField(default=uuid.uuid4, unique=True)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["started_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ended_at__isnull=True) | models.Q(ended_at__gt=models.F("started_at")),
                name="co2_times_in_order",
            ),
            models.CheckConstraint(condition=models.Q(gas_percent__gt=0, gas_percent__lte=100), name="co2_gas_percent"),
            models.UniqueConstraint(
                fields=["batch_queen"],
                condition=models.Q(ended_at__isnull=True, undone_at__isnull=True),
                name="co2_one_running",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch_queen}: CO2 {self.started_at:%d %B %H:%M}"
