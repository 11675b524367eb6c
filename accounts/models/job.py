import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _
from django.utils.translation import gettext_noop

from accounts.models.cooperative import Cooperative
from accounts.told import Told, ToldField, told


class JobState(models.TextChoices):
    IN_LINE = "in_line", _("In line")
    READING = "reading", _("Reading")
    WORKING = "working", _("Working out")
    CHECKING = "checking", _("Checking")
    READY = "ready", _("Ready")
    STOPPED = "stopped", _("Stopped")


OPEN_STATES = [JobState.IN_LINE, JobState.READING, JobState.WORKING, JobState.CHECKING]


class Job(models.Model):
    """Long work off the request. This row is the truth; a broker carries only its id."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="jobs")
    kind = models.CharField(max_length=30)
    key = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Same key, same job: asking twice is safe.")
    arguments = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=JobState.choices, default=JobState.IN_LINE)
    step = ToldField(blank=True, help_text="What it is doing, in words.")
    done_share = models.FloatField(null=True, blank=True, help_text="0 to 1, where it is known.")
    best = models.JSONField(default=dict, blank=True, help_text="Best result so far, for the waiting page.")
    result = models.JSONField(default=dict, blank=True)
    problem = ToldField(blank=True, help_text="Why it stopped, for a person.")
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    requested_at = models.DateTimeField()
    request_id = models.CharField(max_length=64, blank=True, help_text="Of the request that asked, for the log.")
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    lease_token = models.UUIDField(null=True, blank=True, help_text="Who holds it: a doubled run cannot write.")
    attempts = models.PositiveSmallIntegerField(default=0)
    stop_requested_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-requested_at", "-pk"]
        indexes = [models.Index(fields=["state", "lease_until"], name="job_open")]
        constraints = [
            models.CheckConstraint(condition=models.Q(state__in=JobState.values), name="job_known_state"),
            models.CheckConstraint(
                condition=models.Q(finished_at__isnull=True) | models.Q(state__in=["ready", "stopped"]),
                name="job_finished_has_end_state",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk} ({self.state})"

    def told(self) -> Told:
        return told(gettext_noop("Run %(number)s")) % {"number": str(self.pk)}

    @property
    def is_open(self) -> bool:
        return self.state in OPEN_STATES
