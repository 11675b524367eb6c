"""Opening a season and changing the figures of the trade it works with."""

import datetime as dt
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import DroneCohort, LotState, QueenBatch, Season, SeasonSetting, SemenLot
from scheduling.planning.facts import SettingError, settings_from
from scheduling.queries.season import fact_of, own_values
from scheduling.queries.words import words_of
from scheduling.services.plan_reminders import reminders_refresh_plan
from scheduling.services.priorities import FIELDS as PRIORITIES
from scheduling.services.reminders import reminders_refresh_batch, reminders_refresh_cohort
from scheduling.services.store_reminders import reminders_refresh_lot


def season_open(
    cooperative: Cooperative,
    *,
    year: int,
    starts_on: dt.date,
    ends_on: dt.date,
    by: Person | None,
    now: dt.datetime,
) -> Season:
    """Open a season. Changed figures, with who changed them, and the order of priorities carry over."""
    if ends_on <= starts_on:
        raise Refusal(_("The season ends before it starts. Enter a later last day."), field="ends_on")
    if starts_on.year != year:
        raise Refusal(_("The first day lies in another year than the season."), field="starts_on")
    if Season.objects.filter(cooperative=cooperative, year=year).exists():
        raise Refusal(_("Season %(year)d is open already.") % {"year": year}, field="year", rule="season_once")
    try:
        with transaction.atomic():
            season = Season(cooperative=cooperative, year=year, starts_on=starts_on, ends_on=ends_on)
            last = Season.objects.filter(cooperative=cooperative, year__lt=year).order_by("-year").first()
            if last is not None:
                for name in PRIORITIES:
                    setattr(season, name, getattr(last, name))
            season.save()
            carried = _carry_settings(season)
            audit_record(
                season,
                action="season.open",
                by=by,
                now=now,
                cooperative=cooperative,
                after={"year": year, "starts_on": starts_on, "ends_on": ends_on, "settings_carried": carried},
            )
    except IntegrityError as error:
        raise Refusal(_("Season %(year)d is open already.") % {"year": year}, field="year") from error
    return season


def setting_change(
    season: Season,
    *,
    key: str,
    value: Decimal | None,
    reason: str = "",
    by: Person | None,
    now: dt.datetime,
) -> SeasonSetting | None:
    """Use another figure this season; `value=None` returns to the default. All dates follow at once."""
    fact = fact_of(key)
    if fact is None:
        raise Refusal(_("There is no figure called “%(key)s”.") % {"key": key}, field="value")
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed; its figures stay as they were.") % {"season": season})
    _refuse_unfit(season, key=key, value=value)
    with transaction.atomic():
        Season.objects.select_for_update(of=("self",)).get(pk=season.pk)
        earlier = SeasonSetting.objects.filter(season=season, key=key).first()
        if (earlier.value if earlier else None) == value:
            return earlier
        row = _written(season, earlier, key=key, value=value, reason=reason, by=by, now=now)
        audit_record(
            season,
            action="setting.change",
            by=by,
            now=now,
            cooperative=season.cooperative,
            before={"key": key, "value": earlier.value if earlier else None},
            after={"key": key, "value": value},
            note=reason,
        )
        _refresh_reminders(season, now=now)
    return row


def _carry_settings(season: Season) -> int:
    before = Season.objects.filter(cooperative=season.cooperative, year__lt=season.year).order_by("-year").first()
    if before is None:
        return 0
    rows = [
        SeasonSetting(
            season=season,
            key=row.key,
            value=row.value,
            changed_at=row.changed_at,
            changed_by_id=row.changed_by_id,
            reason=row.reason,
        )
        for row in before.settings.all()
        if fact_of(row.key) is not None
    ]
    SeasonSetting.objects.bulk_create(rows)
    return len(rows)


def _written(
    season: Season,
    earlier: SeasonSetting | None,
    *,
    key: str,
    value: Decimal | None,
    reason: str,
    by: Person | None,
    now: dt.datetime,
) -> SeasonSetting | None:
    if value is None:
        if earlier is not None:
            earlier.delete()
        return None
    row, _created = SeasonSetting.objects.update_or_create(
        season=season, key=key, defaults={"value": value, "changed_at": now, "changed_by": by, "reason": reason}
    )
    return row


def _refuse_unfit(season: Season, *, key: str, value: Decimal | None) -> None:
    """Within its own bounds, and in order with the other figures of this season."""
    own = own_values(season)
    own.pop(key, None)
    if value is not None:
        own[key] = value
    try:
        settings_from(own)
    except SettingError as error:
        raise Refusal(words_of(error.text), field="value", rule="setting_possible") from error


def _refresh_reminders(season: Season, *, now: dt.datetime) -> None:
    """Of batches, of cohorts, of stored semen and of the plan in force."""
    for batch in QueenBatch.objects.filter(season=season, closed_on__isnull=True).select_related("season"):
        reminders_refresh_batch(batch, now=now)
    for cohort in DroneCohort.objects.filter(source__season=season, ended_on__isnull=True):
        reminders_refresh_cohort(cohort, now=now)
    for lot in SemenLot.objects.filter(session__season=season, state=LotState.STORED):
        reminders_refresh_lot(lot, now=now)
    reminders_refresh_plan(season, now=now)
