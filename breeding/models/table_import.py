from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative, Job, Member


class ImportState(models.TextChoices):
    READING = "reading", _("Being read")
    MATCHING = "matching", _("Columns to match")
    CHECKED = "checked", _("To be looked at")
    DONE = "done", _("Imported")
    UNDONE = "undone", _("Undone")


class TableImport(models.Model):
    """One file of one kind of things: what it holds, how its columns were matched, what it made."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="table_imports")
    kind = models.CharField(max_length=12, help_text="Key in IMPORT_KINDS of the settings.")
    state = models.CharField(max_length=8, choices=ImportState.choices, default=ImportState.READING)
    file_name = models.CharField(max_length=120)
    digest = models.CharField(max_length=64, help_text="SHA-256 of the file: the same file twice is noticed.")
    content = models.BinaryField(default=bytes, help_text="The file as it was sent, until it is read.")
    sheet = models.BinaryField(default=bytes, help_text="Its cells, compressed, until they are imported.")
    rows = models.PositiveIntegerField(default=0)
    matched = models.JSONField(default=dict, blank=True, help_text="Field to the number of its column.")
    member = models.ForeignKey(
        Member, models.SET_NULL, null=True, blank=True, related_name="+", help_text="Of rows that name no member."
    )
    day_order = models.CharField(max_length=4, blank=True, help_text="dmy, mdy; empty: by the person's language.")
    version = models.PositiveIntegerField(default=1, help_text="Counts every look; only the latest can be imported.")
    preview = models.JSONField(default=dict, blank=True, help_text="What it would make, and a fingerprint of that.")
    problems = models.JSONField(default=list, blank=True, help_text="[line, field, text] each.")
    made = models.JSONField(default=dict, blank=True, help_text="Ids of what it made, by model.")
    job = models.ForeignKey(Job, models.SET_NULL, null=True, blank=True, related_name="+")
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    uploaded_at = models.DateTimeField()
    imported_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    imported_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-uploaded_at", "-pk"]
        verbose_name = "import"
        indexes = [models.Index(fields=["cooperative", "digest"], name="import_same_file")]
        constraints = [
            models.CheckConstraint(condition=models.Q(state__in=ImportState.values), name="import_known_state"),
            models.CheckConstraint(
                condition=models.Q(imported_at__isnull=False, state__in=["done", "undone"])
                | models.Q(imported_at__isnull=True, state__in=["reading", "matching", "checked"]),
                name="import_done_has_moment",
            ),
            models.CheckConstraint(
                condition=models.Q(undone_at__isnull=False, state="undone")
                | (models.Q(undone_at__isnull=True) & ~models.Q(state="undone")),
                name="import_undone_has_moment",
            ),
        ]

    def __str__(self) -> str:
        return self.file_name
