"""Drone sources: offered by their keepers, held and released by the coordinator."""

import datetime as dt
import string
from collections.abc import Mapping
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts.models import Apiary, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Queen, QueenStatus
from scheduling.models import DroneSource, Season
from scheduling.services.reminders import reminders_refresh_cohort
from scheduling.services.store_reminders import reminders_refresh_source

ALPHABET = string.ascii_uppercase
LETTERS: list[str] = [*ALPHABET, *(f"{letter}{digit}" for digit in range(2, 10) for letter in ALPHABET)]


def source_offer(
    season: Season,
    *,
    member: Member,
    drone_queen: Queen,
    name: str,
    apiary: Apiary | None = None,
    health_certificate: str = "",
    health_valid_until: dt.date | None = None,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> DroneSource:
    """Offer a drone-producing queen's colony for this season. Her letter is the next one not used this season."""
    name = " ".join(name.split())
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    _refuse_strange(season, member=member, drone_queen=drone_queen, apiary=apiary)
    offered = DroneSource.objects.filter(season=season, drone_queen=drone_queen, withdrawn_at__isnull=True).first()
    if offered is not None:
        raise Refusal(
            _("%(queen)s is offered already, as source %(source)s.") % {"queen": drone_queen, "source": offered},
            field="drone_queen",
            rule="source_queen_once",
        )
    _refuse_name(season, name)
    try:
        with transaction.atomic():
            # Letters are scarce: the season's row is locked, so that two offers never pick the same one.
            Season.objects.select_for_update(of=("self",)).get(pk=season.pk)
            source = DroneSource.objects.create(
                season=season,
                member=member,
                drone_queen=drone_queen,
                name=name,
                letter=_next_letter(season),
                apiary=apiary,
                health_certificate=health_certificate,
                health_valid_until=health_valid_until,
                note=note,
                offered_at=now,
            )
            audit_record(
                source,
                action="source.offer",
                by=by,
                now=now,
                cooperative=season.cooperative,
                after=fields_of(
                    source, ["name", "letter", "drone_queen", "apiary", "health_certificate", "health_valid_until"]
                ),
            )
            reminders_refresh_source(source, now=now, by=by)
    except IntegrityError as error:
        raise Refusal(_("This source was offered by somebody at the same moment."), field="name") from error
    return source


def source_edit(
    source: DroneSource,
    *,
    name: str,
    apiary: Apiary | None,
    health_certificate: str,
    health_valid_until: dt.date | None,
    note: str,
    by: Person | None,
    now: dt.datetime,
) -> DroneSource:
    name = " ".join(name.split())
    _refuse_strange(source.season, member=source.member, drone_queen=None, apiary=apiary)
    _refuse_name(source.season, name, but=source)
    changes = {
        "name": name,
        "apiary": apiary,
        "health_certificate": health_certificate,
        "health_valid_until": health_valid_until,
        "note": note,
    }
    return _source_change(source, changes, action="source.edit", by=by, now=now)


def source_hold(source: DroneSource, *, reason: str, by: Person | None, now: dt.datetime) -> DroneSource:
    """Block a source whose health status is not clear. Requests that rely on it are found by `bookings_relying_on`."""
    if not reason.strip():
        raise Refusal(_("Say why, so that the keeper and the members know."), field="reason", rule="hold_says_why")
    day = now.astimezone(ZoneInfo(source.season.cooperative.time_zone)).date()
    changes = {"hold_since": source.hold_since or day, "hold_reason": reason.strip()}
    return _source_change(source, changes, action="source.hold", by=by, now=now)


def source_hold_lift(source: DroneSource, *, note: str = "", by: Person | None, now: dt.datetime) -> DroneSource:
    changes = {"hold_since": None, "hold_reason": ""}
    return _source_change(source, changes, action="source.hold.lift", by=by, now=now, note=note)


def source_withdraw(source: DroneSource, *, reason: str = "", by: Person | None, now: dt.datetime) -> DroneSource:
    """Take a source out of the season. Refused while a published plan counts on its drones."""
    if source.withdrawn_at is not None:
        return source
    with transaction.atomic():
        locked = _locked(source)
        placed = locked.bench_places.filter(state__in=["held", "offered"]).count()
        if placed:
            raise Refusal(
                _(
                    "The published plan and offers of places count on %(source)s for %(places)d places. Ask the "
                    "coordinator to replan first."
                )
                % {"source": locked, "places": placed},
                rule="source_in_plan",
                lifted_by="coordinator",
            )
        return _changed(locked, {"withdrawn_at": now}, action="source.withdraw", by=by, now=now, note=reason)


def _source_change(
    source: DroneSource,
    changes: Mapping[str, object],
    *,
    action: str,
    by: Person | None,
    now: dt.datetime,
    note: str = "",
) -> DroneSource:
    with transaction.atomic():
        return _changed(_locked(source), changes, action=action, by=by, now=now, note=note)


def _locked(source: DroneSource) -> DroneSource:
    return DroneSource.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=source.pk)


def _changed(
    source: DroneSource,
    changes: Mapping[str, object],
    *,
    action: str,
    by: Person | None,
    now: dt.datetime,
    note: str = "",
) -> DroneSource:
    names = list(changes)
    before = fields_of(source, names)
    for name, value in changes.items():
        setattr(source, name, value)
    after = fields_of(source, names)
    if before == after:
        return source
    source.save(update_fields=names)
    audit_record(
        source,
        action=action,
        by=by,
        now=now,
        cooperative=source.season.cooperative,
        before=before,
        after=after,
        note=note,
    )
    for cohort in source.cohorts.filter(ended_on__isnull=True):
        reminders_refresh_cohort(cohort, now=now, by=by)
    reminders_refresh_source(source, now=now, by=by)
    return source


def _refuse_strange(season: Season, *, member: Member, drone_queen: Queen | None, apiary: Apiary | None) -> None:
    if member.cooperative_id != season.cooperative_id:
        raise ValueError("season and member: of one cooperative.")
    if apiary is not None and apiary.member_id != member.pk:
        raise Refusal(_("That apiary belongs to another member."), field="apiary")
    if drone_queen is None:
        return
    if drone_queen.cooperative_id != season.cooperative_id:
        raise ValueError("season and drone_queen: of one cooperative.")
    if drone_queen.owner_id != member.pk:
        raise Refusal(
            _("%(queen)s belongs to %(owner)s; only her owner can offer her drones.")
            % {"queen": drone_queen, "owner": drone_queen.owner},
            field="drone_queen",
            rule="source_own_queen",
        )
    if drone_queen.status == QueenStatus.GONE:
        raise Refusal(_("%(queen)s is gone on record.") % {"queen": drone_queen}, field="drone_queen")


def _refuse_name(season: Season, name: str, *, but: DroneSource | None = None) -> None:
    same = DroneSource.objects.filter(season=season, name__iexact=name)
    if but is not None:
        same = same.exclude(pk=but.pk)
    if same.exists():
        raise Refusal(
            _("%(season)s has a source “%(name)s” already. Choose another name.") % {"season": season, "name": name},
            field="name",
            rule="source_name_unique",
        )


def _next_letter(season: Season) -> str:
    used = set(DroneSource.objects.filter(season=season).values_list("letter", flat=True))
    free = [letter for letter in LETTERS if letter not in used]
    if free:
        return free[0]
    raise Refusal(_("This season has no letter left for another source."), rule="letters_used_up")
