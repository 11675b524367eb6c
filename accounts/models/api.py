from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.models.cooperative import Cooperative


class Scope(models.TextChoices):
    """What a token may be used for. It never allows more than its person may do."""

    READ = "read", _("Read what I can see")
    STOCK = "write:stock", _("Change apiaries, queens, colonies and scores")
    SEASON = "write:season", _("Change batches, drone sources and counts")
    BOOKINGS = "write:bookings", _("Book places and answer offers")
    REMINDERS = "write:reminders", _("Settle reminders")
    PLANNING = "write:planning", _("Plan crosses, seasons, bench days and plans")
    BENCH = "write:bench", _("Write the bench record")
    PEOPLE = "write:people", _("Manage members, people and roles")


class ApiToken(models.Model):
    """A key with which a program acts for a person in one cooperative. The key itself is not kept."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="api_tokens")
    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=80, help_text="What uses it, in its owner's words.")
    scopes = models.JSONField(default=list, help_text="Values of accounts.models.Scope.")
    token_hash = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the key.")
    begins = models.CharField(max_length=12, help_text="First characters of the key, to tell it from others.")
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        indexes = [models.Index(fields=["person", "ended_at"], name="api_token_of_person")]

    def __str__(self) -> str:
        return f"{self.person}: {self.name}"


class ApiAnswer(models.Model):
    """A request with an Idempotency-Key and, once it is known, its answer: sent twice, done once."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="api_answers")
    key = models.CharField(max_length=100)
    fingerprint = models.CharField(max_length=64, help_text="SHA-256 of method, path, cooperative and body.")
    begun_at = models.DateTimeField()
    status = models.PositiveSmallIntegerField(null=True, blank=True, help_text="Empty: in progress.")
    body = models.JSONField(null=True, blank=True)
    headers = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["begun_at"], name="api_answer_age")]
        constraints = [models.UniqueConstraint(fields=["person", "key"], name="api_answer_once")]

    def __str__(self) -> str:
        return f"{self.key}: {self.status or '…'}"
