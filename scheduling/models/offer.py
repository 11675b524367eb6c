from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.models.booking import Booking
from scheduling.models.plan import PlanPool
from scheduling.models.session import BenchSession
from scheduling.models.source import DroneSource


class OfferState(models.TextChoices):
    OPEN = "open", _("Offered")
    ACCEPTED = "accepted", _("Taken")
    DECLINED = "declined", _("Let pass")
    LAPSED = "lapsed", _("Lapsed")
    REPLACED = "replaced", _("Replaced by a plan")


class Offer(models.Model):
    """Freed places offered to a booking in the queue until a moment.

    While it is open its places are numbered and reserved (`PlaceState.OFFERED`): the database refuses to offer or
    give one of them a second time.
    """

    booking = models.ForeignKey(Booking, models.CASCADE, related_name="offers")
    session = models.ForeignKey(BenchSession, models.CASCADE, related_name="offers")
    source = models.ForeignKey(DroneSource, models.CASCADE, null=True, blank=True, related_name="+")
    pool = models.ForeignKey(PlanPool, models.SET_NULL, null=True, blank=True, related_name="+")
    queens = models.PositiveSmallIntegerField()
    rank = models.PositiveSmallIntegerField(help_text="Place in the order of the ledger when it was offered.")
    state = models.CharField(max_length=10, choices=OfferState.choices, default=OfferState.OPEN)
    offered_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-offered_at", "-pk"]
        indexes = [models.Index(fields=["state", "expires_at"], name="offer_open")]
        constraints = [
            models.UniqueConstraint(
                fields=["booking"], condition=models.Q(state="open"), name="offer_one_open_a_booking"
            ),
            models.CheckConstraint(condition=models.Q(queens__gt=0), name="offer_some_queens"),
            models.CheckConstraint(condition=models.Q(state__in=OfferState.values), name="offer_known_state"),
            models.CheckConstraint(
                condition=models.Q(state="open") | models.Q(answered_at__isnull=False), name="offer_answered_when"
            ),
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("offered_at")), name="offer_lasts_a_while"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.queens} places for {self.booking} on {self.session}"
