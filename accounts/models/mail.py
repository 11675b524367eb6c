from django.db import models
from django.utils import timezone


class KeptMail(models.Model):
    """An e-mail kept here instead of being sent: the embedded mode's local sink, readable in the app."""

    sent_at = models.DateTimeField(default=timezone.now)
    to = models.EmailField(max_length=254, db_index=True)
    subject = models.CharField(max_length=250)
    text = models.TextField()
    html = models.TextField(blank=True)
    message_id = models.CharField(max_length=200, db_index=True)

    class Meta:
        ordering = ["-sent_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.to}: {self.subject}"
