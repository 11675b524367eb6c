import uuid

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from accounts.models import Member
from accounts.told import ToldField
from scheduling.models.batch import QueenBatch
from scheduling.models.season import Season
from scheduling.models.session import BenchSession
from scheduling.models.source import DroneSource


class BookingState(models.TextChoices):
    NOT_SENT = "not_sent", _("Not sent")
    ASKED = "asked", _("Asked")
    QUEUED = "queued", _("In the queue")
    OFFERED = "offered", _("Place offered")
    PLACED = "placed", _("Placed")
    MOVED = "moved", _("Moved, please look")
    AT_BENCH = "at_bench", _("At the bench")
    DONE = "done", _("Done")
    WITHDRAWN = "withdrawn", _("Withdrawn")
    LAPSED = "lapsed", _("Lapsed")


ENDED_BOOKINGS = [BookingState.DONE, BookingState.WITHDRAWN, BookingState.LAPSED]


class BookingMode(models.TextChoices):
    EACH = "each", _("Each queen from one source; the batch may be split")
    ONE = "one", _("The whole batch from one and the same source")
    POOL = "pool", _("Mixed semen of several sources")


class Booking(models.Model):
    """A member asks for bench places for queens of one batch."""

    season = models.ForeignKey(Season, models.CASCADE, related_name="bookings")
    member = models.ForeignKey(Member, models.PROTECT, related_name="bookings")
    batch = models.ForeignKey(QueenBatch, models.PROTECT, related_name="bookings")
    queens = models.PositiveSmallIntegerField()
    dose_tenths = models.PositiveSmallIntegerField(default=80, help_text="Tenths of a µl for each queen.")
    mode = models.CharField(max_length=5, choices=BookingMode.choices, default=BookingMode.EACH)
    state = models.CharField(max_length=10, choices=BookingState.choices, default=BookingState.ASKED)
    why = ToldField(blank=True, help_text="Why it is in the queue or moved, in words.")
    wished_session = models.ForeignKey(BenchSession, models.SET_NULL, null=True, blank=True, related_name="wishes")
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    key = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Sent twice, asked once.")
    version = models.PositiveIntegerField(default=1)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["asked_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(queens__gt=0), name="booking_asks_for_some"),
            models.CheckConstraint(
                condition=models.Q(dose_tenths__gt=0, dose_tenths__lte=180), name="booking_dose_range"
            ),
            models.CheckConstraint(condition=models.Q(state__in=BookingState.values), name="booking_known_state"),
            models.CheckConstraint(condition=models.Q(mode__in=BookingMode.values), name="booking_known_mode"),
        ]

    def __str__(self) -> str:
        queens = ngettext("%(n)d queen", "%(n)d queens", self.queens) % {"n": self.queens}
        return f"{self.batch}: {queens}"


class BookingSource(models.Model):
    """A source the member accepts, with what was shown when it was chosen."""

    booking = models.ForeignKey(Booking, models.CASCADE, related_name="accepted")
    source = models.ForeignKey(DroneSource, models.CASCADE, related_name="accepted_by")
    merit = models.FloatField(null=True, help_text="Predicted merit of the daughters, genetic SD.")
    inbreeding = models.FloatField(null=True, help_text="Of the workers, 0 to 1.")
    viability = models.FloatField(null=True, help_text="Expected share of living brood, 0 to 1.")

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["booking", "source"], name="booking_source_once")]

    def __str__(self) -> str:
        return f"{self.booking}: {self.source}"
