import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.models.cooperative import Cooperative


class Webhook(models.Model):
    """An address of the cooperative's choice that is told when certain things are done."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="webhooks")
    name = models.CharField(max_length=80, help_text="What listens there, in the words of whoever set it up.")
    url = models.CharField(max_length=500)
    events = models.JSONField(default=list, help_text="Keys of accounts.webhooks.EVENTS.")
    secret = models.CharField(max_length=80, help_text="Signs each call; shown when it is made.")
    old_secret = models.CharField(max_length=80, blank=True, help_text="Signs beside it for a while.")
    old_secret_until = models.DateTimeField(null=True, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField()
    is_on = models.BooleanField(default=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    failures = models.PositiveIntegerField(default=0, help_text="Calls in a row that did not get through.")
    failing_since = models.DateTimeField(null=True, blank=True)
    rest_until = models.DateTimeField(null=True, blank=True, help_text="No call before.")
    last_good_at = models.DateTimeField(null=True, blank=True)
    last_problem = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["name", "pk"]
        indexes = [models.Index(fields=["cooperative", "is_on"], name="webhook_of_cooperative")]

    def __str__(self) -> str:
        return self.name


class WebhookState(models.TextChoices):
    WAITING = "waiting", _("Waits")
    SENDING = "sending", _("Sending")
    SENT = "sent", _("Sent")
    GIVEN_UP = "given_up", _("Given up")


class WebhookDelivery(models.Model):
    """One event told to one webhook; written with what happened, sent afterwards under one id, however often."""

    webhook = models.ForeignKey(Webhook, models.CASCADE, related_name="deliveries")
    key = models.UUIDField(default=uuid.uuid4, unique=True, help_text="What the receiver knows a repeat by.")
    event = models.CharField(max_length=60)
    body = models.TextField(help_text="As it is sent, to the letter.")
    made_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=WebhookState.choices, default=WebhookState.WAITING)
    attempts = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField()
    claim = models.UUIDField(null=True, blank=True, help_text="Of the worker that holds the lease.")
    lease_until = models.DateTimeField(null=True, blank=True)
    tried_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    answered = models.PositiveSmallIntegerField(null=True, blank=True, help_text="Status of the last answer.")
    problem = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-pk"]
        verbose_name_plural = "webhook deliveries"
        indexes = [
            models.Index(fields=["state", "next_try_at"], name="webhook_delivery_open"),
            models.Index(fields=["made_at"], name="webhook_delivery_age"),
        ]
        constraints = [
            models.CheckConstraint(condition=models.Q(state__in=WebhookState.values), name="webhook_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state="sent") | models.Q(sent_at__isnull=False), name="webhook_sent_when"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.event} {self.made_at:%Y-%m-%d %H:%M}"
