"""What a new plan changes for somebody, from … to …, in the same words on the page and in the message."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from accounts.told import Moment, Told, and_told
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import Placement, Season
from scheduling.queries.plans import BookingChange


def zone_of_season(season: Season) -> ZoneInfo:
    return ZoneInfo(season.cooperative.time_zone)


def change_words(change: BookingChange, zone: ZoneInfo) -> Told:
    """One sentence: the places there are now, those there were, or from which to which."""
    old, new = places_words(change.old, zone), places_words(change.new, zone)
    if change.kind == "moved":
        return _("From %(old)s to %(new)s.") % {"old": old, "new": new}
    if change.kind == "lost":
        return _("Until now %(old)s; none any more.") % {"old": old}
    return _("Now %(new)s.") % {"new": new}


def places_words(placements: Sequence[Placement], zone: ZoneInfo) -> Told:
    """“3 places on Fri 12 June, 09:30, at Mill bench with Ling and 2 places on …”"""
    return and_told([_place_words(placement, zone) for placement in placements])


def _place_words(placement: Placement, zone: ZoneInfo) -> Told:
    return ngettext(
        "%(n)d place on %(when)s at %(bench)s with %(source)s",
        "%(n)d places on %(when)s at %(bench)s with %(source)s",
        placement.queens,
    ) % {
        "n": placement.queens,
        "when": Moment(placement.session.starts_at, str(zone)),
        "bench": placement.session.bench,
        "source": placement.source or _mixed(placement),
    }


def _mixed(placement: Placement) -> Told:
    parts = placement.pool.parts.all() if placement.pool is not None else []
    return _("semen of %(sources)s mixed") % {"sources": and_told(sorted(str(part.source) for part in parts))}
