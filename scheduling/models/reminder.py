from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from accounts.models import Channel, Cooperative, Member
from accounts.told import ToldField


class ReminderState(models.TextChoices):
    """Stored: whether it is still wanted. Coming, due and late follow from the clock."""

    WANTED = "wanted", _("Wanted")
    PUT_OFF = "put_off", _("Put off")
    DONE = "done", _("Done")
    LET_GO = "let_go", _("Let go")
    SUPERSEDED = "superseded", _("Superseded")
    EXPIRED = "expired", _("Expired")


class Reminder(models.Model):
    """An intent to tell somebody something at a due moment, written with whatever sets that moment."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="reminders")
    kind = models.CharField(max_length=40, help_text="Key in scheduling.reminder_kinds.")
    subject_type = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    stage = models.CharField(max_length=20, default="due", help_text="Which of several tellings of the same thing.")
    member = models.ForeignKey(Member, models.CASCADE, null=True, blank=True, related_name="reminders")
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.CASCADE,
        null=True,
        blank=True,
        related_name="reminders",
        help_text="One person; empty: every person of the member.",
    )
    due_at = models.DateTimeField(help_text="UTC. When to tell.")
    base_due_at = models.DateTimeField(help_text="As worked out; differs from due_at when it was put off.")
    wall_date = models.DateField(null=True, blank=True, help_text="Wall-clock dues: re-derived when zone data change.")
    wall_time = models.TimeField(null=True, blank=True)
    wall_zone = models.CharField(max_length=64, blank=True)
    useful_until = models.DateTimeField(help_text="Later than this it is missed, not sent.")
    critical = models.BooleanField(default=False)
    title = ToldField()
    why = ToldField(blank=True)
    link = models.CharField(max_length=200, blank=True, help_text="Path of the page where it is done.")
    state = models.CharField(max_length=10, choices=ReminderState.choices, default=ReminderState.WANTED)
    replaced_by = models.OneToOneField("self", models.SET_NULL, null=True, blank=True, related_name="replaces")
    created_at = models.DateTimeField()
    tell_at = models.DateTimeField(
        null=True, blank=True, help_text="When the next telling is due; empty: nothing more to tell."
    )
    acknowledged_at = models.DateTimeField(
        null=True, blank=True, help_text="Somebody said: seen, I am on it. No later stage is told."
    )
    acknowledged_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    held_at = models.DateTimeField(
        null=True, blank=True, help_text="A backup was restored: waits here until a coordinator releases it."
    )
    told_at = models.DateTimeField(null=True, blank=True, help_text="When its deliveries were written.")
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    is_recorded = models.BooleanField(
        default=False,
        db_default=False,
        help_text="Done because what it asks for was recorded: it comes back when that record is taken back.",
    )

    class Meta:
        ordering = ["due_at", "pk"]
        indexes = [
            models.Index(fields=["state", "due_at"], name="reminder_due"),
            models.Index(
                fields=["tell_at"],
                condition=models.Q(state="wanted", tell_at__isnull=False, held_at__isnull=True),
                name="reminder_to_tell",
            ),
            models.Index(fields=["subject_type", "subject_id"], name="reminder_by_subject"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["subject_type", "subject_id", "kind", "stage", "due_at"],
                condition=models.Q(state__in=["wanted", "expired"]),  # what was ended may come again
                name="reminder_once",
            ),
            models.CheckConstraint(condition=models.Q(state__in=ReminderState.values), name="reminder_known_state"),
            models.CheckConstraint(
                condition=models.Q(useful_until__gte=models.F("due_at")), name="reminder_useful_after_due"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.due_at:%d %B %H:%M})"


class DeliveryState(models.TextChoices):
    PENDING = "pending", _("Pending")
    CLAIMED = "claimed", _("Claimed")
    SENDING = "sending", _("Sending")
    HELD = "held", _("Waits for release")
    SENT = "sent", _("Sent")
    RETRY = "retry", _("To be tried again")
    IN_DOUBT = "in_doubt", _("In doubt")
    DEAD = "dead", _("Given up")
    SUPERSEDED = "superseded", _("Superseded")
    EXPIRED = "expired", _("Missed")


class Delivery(models.Model):
    """One telling of one reminder to one person by one channel; outside it goes by its `telling_key`."""

    reminder = models.ForeignKey(Reminder, models.CASCADE, related_name="deliveries")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="deliveries")
    channel = models.CharField(max_length=8, choices=Channel.choices)
    rung = models.CharField(
        max_length=12, default="due", help_text="Which of the repeated tellings: a key of planning.timing.ladder."
    )
    due_at = models.DateTimeField(
        null=True, blank=True, help_text="When it was to go out: lateness is counted from here. UTC."
    )
    is_late = models.BooleanField(default=False, help_text="Written when its moment had passed: the words say so.")
    state = models.CharField(max_length=10, choices=DeliveryState.choices, default=DeliveryState.PENDING)
    attempts = models.PositiveSmallIntegerField(default=0)
    claim = models.UUIDField(null=True, blank=True, help_text="Of the worker that holds the lease.")
    lease_until = models.DateTimeField(null=True, blank=True)
    next_try_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    read_at = models.DateTimeField(null=True, blank=True)
    problem = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["pk"]
        verbose_name_plural = "deliveries"
        indexes = [
            models.Index(fields=["state", "next_try_at"], name="delivery_open"),
            models.Index(fields=["due_at"], name="delivery_by_due"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["reminder", "person", "channel", "rung"], name="delivery_once"),
            models.CheckConstraint(condition=models.Q(state__in=DeliveryState.values), name="delivery_known_state"),
            models.CheckConstraint(
                condition=~models.Q(state="sent") | models.Q(sent_at__isnull=False), name="delivery_sent_when"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reminder_id} to {self.person} by {self.channel}"


class Heartbeat(models.Model):
    """What each tick leaves behind, so that its silence is noticed."""

    name = models.CharField(max_length=30, primary_key=True)
    at = models.DateTimeField()
    oldest_overdue_seconds = models.FloatField(default=0)
    jump_seconds = models.FloatField(
        default=0, help_text="Last jump of this machine's clock that was noticed. Seconds."
    )
    jumped_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.name} {self.at}"
