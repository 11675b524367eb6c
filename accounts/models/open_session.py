from django.conf import settings
from django.db import models


class OpenSession(models.Model):
    """A device on which somebody is signed in, so that they can see and end it. No network address is kept."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="open_sessions")
    session_key = models.CharField(max_length=40, unique=True)
    device = models.CharField(max_length=80, help_text="Browser and system, as the browser names itself.")
    begun_at = models.DateTimeField()
    seen_at = models.DateTimeField(help_text="Last used; noted now and then.")

    class Meta:
        ordering = ["-seen_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.person}: {self.device}"
