from django.db import models


class Slowdown(models.Model):
    """How often something was tried lately, and from when on it may be tried again. Rows vanish after a quiet day."""

    key = models.CharField(max_length=90, unique=True, help_text="What is slowed down; addresses only as a digest.")
    tries = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField(db_index=True)
    free_at = models.DateTimeField()

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return f"{self.key}: {self.tries}"
