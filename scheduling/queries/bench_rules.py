"""Rules at the hook that may be set aside with a reason: what is broken, in words. Services ask, the tablet shows."""

import datetime as dt
from collections.abc import Sequence

from django.utils.translation import gettext as _

from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    Co2Treatment,
    DroneSource,
    SemenLot,
)
from scheduling.planning.facts import Settings
from scheduling.planning.timing import FirstCo2, elapsed_hours, first_co2_days, first_co2_from, first_co2_of
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.season import cross_limit_broken
from scheduling.queries.words import and_words, volume_words

MINUTES_PER_HOUR = 60

Broken = tuple[str, str]


def rules_to_set_aside(
    queen: BatchQueen,
    place: BenchPlace,
    lot: SemenLot,
    volume_tenths: int,
    settings: Settings,
    *,
    given: Sequence[DroneSource],
    session: BenchSession,
    now: dt.datetime,
) -> list[Broken]:
    """Rules that a dose given `now` breaks but that may be set aside with a reason: (key, sentence).

    `given`: every source whose semen is in the lot.
    """
    found = [
        _other_source(place, lot, given),
        _dose_limit(queen, session, volume_tenths, settings),
        queen_age_rule(queen, session, settings),
        _first_co2(queen, place, session, settings, now=now),
    ]
    return [one for one in found if one is not None]


def sources_accepted(booking: Booking, settings: Settings) -> list[DroneSource]:
    """Sources that a request accepts, within the limits that the season has now."""
    return [
        row.source for row in booking.accepted.all() if not cross_limit_broken(row.inbreeding, row.viability, settings)
    ]


def planned_sources(place: BenchPlace) -> list[DroneSource]:
    """The source her place is planned with, or those of its mixture; none where no plan says it any more."""
    if place.source is not None:
        return [place.source]
    return [part.source for part in place.pool.parts.all()] if place.pool is not None else []


def sources_that_suit(place: BenchPlace, settings: Settings) -> set[DroneSource]:
    """What her place is planned with, and what her request accepts besides."""
    return {*planned_sources(place), *sources_accepted(place.booking, settings)}


def is_accepted(place: BenchPlace, lot: SemenLot, given: Sequence[DroneSource], suits: set[DroneSource]) -> bool:
    """Whether a lot of the sources `given` may be taken for a place at all: a rule nobody sets aside.

    A place of one source takes no mixture. A place of a mixture takes what is of sources that suit alone; one of which
    neither plan nor request names a source takes any.
    """
    if place.source is not None:
        return lot.source_id == place.source_id or lot.source in suits
    return not suits or suits.issuperset(given)


def is_other_source(place: BenchPlace, given: Sequence[DroneSource]) -> bool:
    """Whether a lot is of other sources than the place is planned with, or of some of them only."""
    planned = planned_sources(place)
    return bool(planned) and {one.pk for one in planned} != {one.pk for one in given}


def lot_words(lot: SemenLot, given: Sequence[DroneSource]) -> str:
    """A lot by its source, a pool or mixture by those it is of."""
    return str(lot.source) if lot.source is not None else and_words([str(source) for source in given])


def _other_source(place: BenchPlace, lot: SemenLot, given: Sequence[DroneSource]) -> Broken | None:
    if not is_other_source(place, given):
        return None
    return (
        "other_source",
        _("This place is planned with %(planned)s, the lot is of %(lot)s.")
        % {"planned": and_words([str(one) for one in planned_sources(place)]), "lot": lot_words(lot, given)},
    )


def _dose_limit(queen: BatchQueen, session: BenchSession, volume_tenths: int, settings: Settings) -> Broken | None:
    limit = tenths_from_ul(settings.dose_limit_ul)
    before = sum(queen.doses.filter(undone_at__isnull=True, session=session).values_list("volume_tenths", flat=True))
    if volume_tenths + before <= limit:
        return None
    return (
        "dose_limit",
        _("%(dose)s at once is above %(limit)s, where more queens die.")
        % {"dose": volume_words(volume_tenths + before), "limit": volume_words(limit)},
    )


def queen_age_rule(queen: BatchQueen, session: BenchSession, settings: Settings) -> Broken | None:
    emerged = queen.queen.emerged_on
    age = (session.day - emerged).days if emerged else None
    if age is None or settings.virgin_age_first_days <= age <= settings.virgin_age_last_days:
        return None
    return (
        "queen_age",
        _("She is %(age)d days old; the window is %(first)d to %(last)d days.")
        % {"age": age, "first": settings.virgin_age_first_days, "last": settings.virgin_age_last_days},
    )


def _first_co2(
    queen: BatchQueen, place: BenchPlace, session: BenchSession, settings: Settings, *, now: dt.datetime
) -> Broken | None:
    if not is_first_co2_asked(place):
        return None
    ended_at = [*first_co2_ends(queen), *([home] if (home := place.booking.batch.first_co2_at) else [])]
    verdict, decided = first_co2_of(
        ended_at, dosed_at=now, counts_from=first_co2_counts_from(session, settings), settings=settings
    )
    if verdict is FirstCo2.COUNTS:
        return None
    hours = elapsed_hours(decided, now) if decided is not None else 0
    ago = {"minutes": int(hours * MINUTES_PER_HOUR), "ago": int(hours)}
    return f"first_co2_{verdict}", first_co2_words(settings)[verdict] % ago


def is_first_co2_asked(place: BenchPlace) -> bool:
    """Before the second part of a split dose it is not: the gas at the first part is the first of that pair (C08)."""
    return place.co2_before and not place.is_second


def first_co2_ends(queen: BatchQueen) -> list[dt.datetime]:
    """When her treatments without a dose ended."""
    rows = Co2Treatment.objects.filter(
        batch_queen=queen, with_insemination=False, ended_at__isnull=False, undone_at__isnull=True
    )
    return [at for at in rows.order_by("ended_at").values_list("ended_at", flat=True) if at is not None]


def first_co2_counts_from(session: BenchSession, settings: Settings) -> dt.datetime:
    return first_co2_from(session.day, session.season.cooperative.time_zone, settings)


def first_co2_words(settings: Settings) -> dict[str, str]:
    """What is wrong with a first CO2, by verdict; `minutes` and `ago` (in hours) are filled in where they are known."""
    figures = {
        "hours": f"{settings.co2_pair_min_hours.normalize():f}",
        "days": str(first_co2_days(settings)),
        "minutes": "%(minutes)s",
        "ago": "%(ago)s",
    }
    return {
        FirstCo2.MISSING: _("Her first CO2 is not on record. Without it, plan the second one for tomorrow."),
        FirstCo2.TOO_NEAR: _(
            "Her first CO2 ended %(minutes)s minutes before; nearer than %(hours)s hours, two work as one. "
            "Plan another one for tomorrow."
        )
        % figures,
        FirstCo2.TOO_EARLY: _(
            "Her first CO2 ended %(ago)s hours before, more than %(days)s days ahead. Plan another one for tomorrow."
        )
        % figures,
    }
