from django.conf import settings
from django.db import models

from accounts.models import Cooperative
from breeding.models.queen import Queen


class QueenMerge(models.Model):
    """Two rows that were one queen, made one, with all that is needed to make them two again."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="queen_merges")
    kept = models.ForeignKey(Queen, models.CASCADE, related_name="merges", help_text="Who has everything now.")
    other_id = models.BigIntegerField(help_text="Of the row that went; her address leads to the other one.")
    other_label = models.CharField(max_length=40)
    merged_at = models.DateTimeField()
    merged_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    before = models.JSONField(help_text="Columns of the kept row before.")
    after = models.JSONField(help_text="Columns of the kept row after.")
    other = models.JSONField(help_text="Columns of the row that went.")
    moved = models.JSONField(help_text="By column that names a queen: the rows that were the other's.")
    own = models.JSONField(help_text="By column that names a queen: the rows that were the kept one's before.")
    removed = models.JSONField(default=list, help_text="Rows that said the same twice, whole, in their order.")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["other_id"], name="queen_merge_of_other")]

    def __str__(self) -> str:
        return f"{self.other_label} → {self.kept}"


class QueensApart(models.Model):
    """Two queens that look like one and are two, as somebody said. By their ids alone: nothing hangs on it."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="queens_apart")
    lower_id = models.BigIntegerField(help_text="Of the queen with the lower id.")
    higher_id = models.BigIntegerField()
    said_at = models.DateTimeField()
    said_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")

    class Meta:
        ordering = ["-pk"]
        verbose_name = "pair of two queens"
        verbose_name_plural = "pairs of two queens"
        constraints = [
            models.UniqueConstraint(fields=["lower_id", "higher_id"], name="queens_apart_once"),
            models.CheckConstraint(
                condition=models.Q(lower_id__lt=models.F("higher_id")), name="queens_apart_in_order"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lower_id} ≠ {self.higher_id}"
