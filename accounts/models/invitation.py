from django.conf import settings
from django.db import models
from django.utils import timezone

from accounts.models.cooperative import Cooperative
from accounts.models.member import Member


class Invitation(models.Model):
    """Somebody who is not known yet may come in by a link, once, as what the coordinator wrote here."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="invitations")
    email = models.EmailField(max_length=254)
    name = models.CharField(max_length=120, help_text="As the coordinator knows them; they may write it otherwise.")
    phone = models.CharField(max_length=40, blank=True)
    member = models.ForeignKey(Member, models.CASCADE, null=True, blank=True, related_name="invitations")
    roles = models.JSONField(default=list, blank=True, help_text="Values of accounts.models.Role.")
    token_hash = models.CharField(max_length=64, unique=True, help_text="SHA-256 of what stands in the link.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="invitations_made")
    made_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True, help_text="Taken up, or taken back.")

    class Meta:
        ordering = ["-made_at", "-pk"]
        indexes = [models.Index(fields=["cooperative", "ended_at"], name="invitation_open")]

    def __str__(self) -> str:
        return f"{self.name} ({self.email})"
