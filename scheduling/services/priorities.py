"""How places are given this season: the order of priorities, and how long an offer stands."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from scheduling.models import Season

FIELDS = ["even_shares_first", "given_counts", "offer_hours"]
LEAST_HOURS, MOST_HOURS = 1, 72


def priorities_change(
    season: Season, *, even_shares_first: bool, given_counts: bool, offer_hours: int, by: Person, now: dt.datetime
) -> Season:
    """Set them for plans and offers from now on; what was published or offered already stays."""
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    if not LEAST_HOURS <= offer_hours <= MOST_HOURS:
        raise Refusal(
            _("Enter %(least)d to %(most)d hours.") % {"least": LEAST_HOURS, "most": MOST_HOURS}, field="offer_hours"
        )
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=season.pk)
        before = fields_of(season, FIELDS)
        season.even_shares_first, season.given_counts, season.offer_hours = even_shares_first, given_counts, offer_hours
        after = fields_of(season, FIELDS)
        if before != after:
            season.save(update_fields=FIELDS)
            audit_record(
                season,
                action="season.priorities",
                by=by,
                now=now,
                cooperative=season.cooperative,
                before=before,
                after=after,
            )
    return season
