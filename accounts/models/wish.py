from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _


class Channel(models.TextChoices):
    INBOX = "inbox", _("In the app")
    MAIL = "mail", _("E-mail")
    PUSH = "push", _("On this device")
    GATEWAY = "gateway", _("Text message")


class NotificationWish(models.Model):
    """How a person wants to be told of one kind of reminder. The app itself always shows it."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="notification_wishes")
    kind = models.CharField(max_length=40)
    channel = models.CharField(max_length=8, choices=Channel.choices)
    wanted = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "kind", "channel"], name="notification_wish_once"),
            models.CheckConstraint(condition=models.Q(channel__in=Channel.values), name="notification_wish_channel"),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.kind} by {self.channel}"


class ReminderLead(models.Model):
    """How long before its moment a person wants to hear of one kind too. The moment itself is always told."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="reminder_leads")
    kind = models.CharField(max_length=40)
    minutes = models.PositiveIntegerField(help_text="Before the moment it is due. Minutes.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "kind"], name="reminder_lead_once"),
            models.CheckConstraint(
                condition=models.Q(minutes__gte=15, minutes__lte=14 * 24 * 60), name="reminder_lead_bounds"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.kind} {self.minutes} min before"
