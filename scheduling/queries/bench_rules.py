"""Rules at the hook that may be set aside with a reason: what is broken, in words. Services ask, the tablet shows."""

from django.utils.translation import gettext as _

from scheduling.models import BatchQueen, BenchPlace, BenchSession
from scheduling.planning.facts import Settings
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.words import volume_words


def rules_to_set_aside(
    queen: BatchQueen, place: BenchPlace, session: BenchSession, volume_tenths: int, settings: Settings
) -> list[tuple[str, str]]:
    """Rules that are broken but may be set aside with a reason: (key, sentence)."""
    broken = []
    limit = tenths_from_ul(settings.dose_limit_ul)
    before = sum(queen.doses.filter(undone_at__isnull=True, session=session).values_list("volume_tenths", flat=True))
    if volume_tenths + before > limit:
        broken.append(
            (
                "dose_limit",
                _("%(dose)s at once is above %(limit)s, where more queens die.")
                % {"dose": volume_words(volume_tenths + before), "limit": volume_words(limit)},
            )
        )
    emerged = queen.queen.emerged_on
    age = (session.day - emerged).days if emerged else None
    if age is not None and not settings.virgin_age_first_days <= age <= settings.virgin_age_last_days:
        broken.append(
            (
                "queen_age",
                _("She is %(age)d days old; the window is %(first)d to %(last)d days.")
                % {"age": age, "first": settings.virgin_age_first_days, "last": settings.virgin_age_last_days},
            )
        )
    if place.co2_before and not has_first_co2(queen, place):
        broken.append(
            (
                "first_co2_missing",
                _("Her first CO2 is not on record. Without it, plan the second one for tomorrow."),
            )
        )
    return broken


def has_first_co2(queen: BatchQueen, place: BenchPlace) -> bool:
    if place.booking.batch.first_co2_at is not None:
        return True
    return queen.co2_treatments.filter(with_insemination=False, ended_at__isnull=False, undone_at__isnull=True).exists()
