from typing import Any

from django.db import models
from django.db.models.functions import ExtractYear, Lower
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative, Member
from breeding.labels import LONGEST_ALIKE, label_alike

# The zero stands in the SQL itself, as in the index: with a parameter SQLite would not see that they are the same.
YEAR_OR_0 = models.Func(
    "birth_year", template="COALESCE(%(expressions)s, 0)", output_field=models.PositiveSmallIntegerField()
)


class Line(models.Model):
    """A breeding line, by the name the cooperative gave it."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="lines")
    name = models.CharField(max_length=60)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("cooperative", Lower("name"), name="line_name_unique")]

    def __str__(self) -> str:
        return self.name


class AlikeField(models.CharField):  # type: ignore[type-arg]
    """What the label has in common with its other spellings: written with each row that is saved, as `auto_now` is."""

    def pre_save(self, model_instance: models.Model, add: bool) -> Any:
        alike = label_alike(getattr(model_instance, "label"))  # noqa: B009 - of whichever version of the model
        setattr(model_instance, self.attname, alike)
        return alike

    def deconstruct(self) -> Any:
        """Migrations know a plain column: they outlive what it is filled with."""
        name, _path, args, kwargs = super().deconstruct()
        return name, "django.db.models.CharField", args, kwargs


class QueenStatus(models.TextChoices):
    VIRGIN = "virgin", _("Virgin")
    MATED = "mated", _("Mated")
    GONE = "gone", _("Gone")


class Queen(models.Model):
    """A queen, or a drone-producing queen: what lasts. She outlives her batch, her colony and her season."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="queens")
    owner = models.ForeignKey(Member, models.PROTECT, related_name="queens")
    label = models.CharField(max_length=40, help_text="The cooperative's own name for her; unique.")
    alike = AlikeField(max_length=LONGEST_ALIKE, null=True, editable=False, help_text="The label but for its spelling.")
    mother = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="daughters")
    line = models.ForeignKey(Line, models.SET_NULL, null=True, blank=True, related_name="queens")
    origin = models.CharField(max_length=60, blank=True, help_text="Where she came from, when her mother is not known.")
    birth_year = models.PositiveSmallIntegerField(null=True, blank=True)
    emerged_on = models.DateField(null=True, blank=True)
    mark_number = models.CharField(max_length=8, blank=True, help_text="Number of her marking disc, if she has one.")
    status = models.CharField(max_length=8, choices=QueenStatus.choices, default=QueenStatus.VIRGIN)
    gone_on = models.DateField(null=True, blank=True)
    gone_reason = models.CharField(max_length=120, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["label"]
        indexes = [
            models.Index("cooperative", YEAR_OR_0.desc(), "label", name="queen_by_youth"),
            models.Index(fields=["cooperative", "status", "-birth_year", "label"], name="queen_youngest_first"),
            models.Index(fields=["cooperative", "alike"], name="queen_alike"),
            models.Index(
                "cooperative",
                "birth_year",
                "mother",
                Lower("mark_number"),
                name="queen_marked_alike",
                condition=~models.Q(mark_number=""),
            ),
        ]
        constraints = [
            models.UniqueConstraint("cooperative", Lower("label"), name="queen_label_unique"),
            models.CheckConstraint(condition=~models.Q(mother=models.F("id")), name="queen_not_her_own_mother"),
            models.CheckConstraint(
                condition=models.Q(gone_on__isnull=True)
                | models.Q(emerged_on__isnull=True)
                | models.Q(gone_on__gte=models.F("emerged_on")),
                name="queen_dates_in_order",
            ),
            models.CheckConstraint(condition=models.Q(status__in=QueenStatus.values), name="queen_known_status"),
            models.CheckConstraint(
                condition=models.Q(emerged_on__isnull=True)
                | models.Q(birth_year__isnull=True)
                | models.Q(birth_year=ExtractYear("emerged_on")),
                name="queen_birth_year_is_emergence_year",
            ),
        ]

    def __str__(self) -> str:
        return self.label
