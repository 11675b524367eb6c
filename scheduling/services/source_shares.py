"""How much of the season's semen each source may give at most, and shall give: the coordinator's caps and targets."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from scheduling.models import DroneSource, Season
from scheduling.queries.season import settings_of

FIELDS = ["share_cap_permille", "share_target_permille"]
WHOLE = 1000


@dataclass(frozen=True)
class WantedShare:
    """Thousandths of all semen of a plan; None: nothing of its own."""

    cap: int | None
    target: int | None


def source_shares_set(
    season: Season, wanted: Mapping[int, WantedShare], *, by: Person, now: dt.datetime
) -> list[DroneSource]:
    """Set caps and targets of these sources, by primary key; others keep theirs. Returns those that changed.

    Plans worked out from now on keep to the caps; what is published stays until the next plan.
    """
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=season.pk)
        sources = list(season.sources.select_for_update(of=("self",)).filter(withdrawn_at=None).order_by("letter"))
        after = {
            source.pk: wanted.get(source.pk, WantedShare(source.share_cap_permille, source.share_target_permille))
            for source in sources
        }
        _refuse_impossible(season, sources, after)
        changed = []
        for source in sources:
            before = fields_of(source, FIELDS)
            source.share_cap_permille, source.share_target_permille = after[source.pk].cap, after[source.pk].target
            if fields_of(source, FIELDS) == before:
                continue
            source.save(update_fields=FIELDS)
            audit_record(
                source,
                action="source.shares",
                by=by,
                now=now,
                cooperative=season.cooperative,
                before=before,
                after=fields_of(source, FIELDS),
            )
            changed.append(source)
    return changed


def _refuse_impossible(season: Season, sources: list[DroneSource], after: Mapping[int, WantedShare]) -> None:
    for_all = round(WHOLE * settings_of(season).max_source_share)
    caps = {pk: min(share.cap or for_all, for_all) for pk, share in after.items()}
    for source in sources:
        target = after[source.pk].target
        if target is not None and target > caps[source.pk]:
            raise Refusal(
                _(
                    "%(source)s shall give %(target)s %% and may give at most %(cap)s %%. Lower the first, or raise "
                    "the second."
                )
                % {"source": source, "target": f"{target / 10:g}", "cap": f"{caps[source.pk] / 10:g}"},
                field=f"target_{source.pk}",
                rule="share_target_over_cap",
            )
    targets = sum(share.target or 0 for share in after.values())
    if targets > WHOLE:
        raise Refusal(
            _("The targets add up to %(sum)s %%. Together they can be 100 %% at most.") % {"sum": f"{targets / 10:g}"},
            rule="share_targets_over_all",
        )
    if sources and sum(caps.values()) < WHOLE:
        raise Refusal(
            _(
                "All sources together may then give %(sum)s %% of the semen at most, so no plan could hold. Raise the "
                "caps until they add up to 100 %% or more."
            )
            % {"sum": f"{sum(caps.values()) / 10:g}"},
            rule="share_caps_too_small",
        )
