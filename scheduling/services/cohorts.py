"""Drone cohorts of a source: promised, observed, counted. A correction keeps the earlier count."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext_lazy

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from accounts.told import told as _
from scheduling.models import CountKind, DroneCohort, DroneCount, DroneSource
from scheduling.queries.sources import events_of_cohort
from scheduling.services.record_order import refuse_disorder
from scheduling.services.reminders import reminders_refresh_cohort

MOST_DRONES = 20_000  # more than any colony rears at a time; stops a slip of the pen
OBSERVED = {
    "comb_in_on": gettext_lazy("putting the drone comb in"),
    "laid_on": gettext_lazy("the first eggs"),
    "capped_on": gettext_lazy("sealing of the brood"),
    "emerged_on": gettext_lazy("the first drones emerging"),
    "marked_on": gettext_lazy("marking or confining"),
    "ended_on": gettext_lazy("the end"),
}


def cohort_add(
    source: DroneSource,
    *,
    promised_comb_on: dt.date | None = None,
    comb_in_on: dt.date | None = None,
    promised_drones: int | None = None,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> DroneCohort:
    """Promise a comb for a day, or record one that is in. A promised number is kept as a count of its own kind."""
    if promised_comb_on is None and comb_in_on is None:
        raise Refusal(_("Enter the day the comb goes in, or went in."), field="promised_comb_on")
    if source.withdrawn_at is not None:
        raise Refusal(_("%(source)s is withdrawn.") % {"source": source}, rule="source_withdrawn")
    cohort = DroneCohort(source=source, promised_comb_on=promised_comb_on, comb_in_on=comb_in_on, note=note)
    _refuse_impossible(cohort, counts=[], now=now)
    with transaction.atomic():
        DroneSource.objects.select_for_update(of=("self",)).get(pk=source.pk)
        last = source.cohorts.aggregate(last=Max("number"))["last"] or 0
        cohort.number = last + 1
        cohort.save(force_insert=True)
        audit_record(
            cohort,
            action="cohort.promise" if comb_in_on is None else "cohort.comb_in",
            by=by,
            now=now,
            cooperative=source.season.cooperative,
            after=fields_of(cohort, ["number", "promised_comb_on", "comb_in_on"]),
        )
        if promised_drones is not None:
            count_record(
                cohort,
                kind=CountKind.PROMISED,
                counted_on=now.astimezone(_zone(cohort)).date(),
                number=promised_drones,
                by=by,
                now=now,
            )
        reminders_refresh_cohort(cohort, now=now, by=by)
    return cohort


def cohort_observe(
    cohort: DroneCohort,
    *,
    step: str,
    day: dt.date | None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> DroneCohort:
    """Record, correct or (day=None) take back one date of a cohort, named by its field."""
    if step not in OBSERVED and step != "promised_comb_on":
        raise ValueError(f"step: {step!r} is not a date of a cohort.")
    with transaction.atomic():
        fresh = (
            DroneCohort.objects.select_for_update(of=("self",))
            .select_related("source__season__cooperative", "source__apiary")
            .get(pk=cohort.pk)
        )
        if version is not None and fresh.version != version:
            raise Refusal(
                _("%(cohort)s was changed meanwhile. Look at what stands now, then save again.") % {"cohort": fresh},
                rule="stale",
            )
        before = fields_of(fresh, [step])
        if before[step] == day:
            return fresh
        setattr(fresh, step, day)
        _refuse_impossible(fresh, counts=list(fresh.counts.filter(replaced_by__isnull=True)), now=now)
        fresh.version += 1
        fresh.save(update_fields=[step, "version"])
        ending = ".withdraw" if day is None else "" if before[step] is None else ".correct"
        audit_record(
            fresh,
            action=f"cohort.{step.removesuffix('_on')}{ending}",
            by=by,
            now=now,
            cooperative=fresh.source.season.cooperative,
            before=before,
            after={step: day},
        )
        reminders_refresh_cohort(fresh, now=now, by=by)
    return fresh


def count_record(
    cohort: DroneCohort,
    *,
    kind: str,
    counted_on: dt.date,
    number: int,
    by: Person | None,
    now: dt.datetime,
) -> DroneCount:
    """Write a count. A second one of the same kind and day corrects the first, which stays on record."""
    refuse_impossible_number(cohort, kind=kind, counted_on=counted_on, number=number, now=now)
    with transaction.atomic():
        locked = (
            DroneCohort.objects.select_for_update(of=("self",))
            .select_related("source__season__cooperative")
            .get(pk=cohort.pk)
        )
        refuse_count_before_comb(locked, kind=kind, counted_on=counted_on)
        earlier = locked.counts.filter(kind=kind, counted_on=counted_on, replaced_by__isnull=True).first()
        if earlier is not None and earlier.number == number:
            return earlier
        count = _count_written(locked, earlier, kind=kind, counted_on=counted_on, number=number, by=by, now=now)
        audit_record(
            locked,
            action="cohort.count.correct" if earlier else "cohort.count",
            by=by,
            now=now,
            cooperative=locked.source.season.cooperative,
            before={"kind": kind, "counted_on": counted_on, "number": earlier.number} if earlier else {},
            after={"kind": kind, "counted_on": counted_on, "number": number},
        )
        reminders_refresh_cohort(locked, now=now, by=by)
    return count


def _count_written(
    cohort: DroneCohort,
    earlier: DroneCount | None,
    *,
    kind: str,
    counted_on: dt.date,
    number: int,
    by: Person | None,
    now: dt.datetime,
) -> DroneCount:
    """The unique row of a day is the one that is not replaced: the old one points at itself for a moment."""
    if earlier is not None:
        earlier.replaced_by = earlier
        earlier.save(update_fields=["replaced_by"])
    count = DroneCount.objects.create(
        cohort=cohort, kind=kind, counted_on=counted_on, number=number, counted_by=by, recorded_at=now
    )
    if earlier is not None:
        earlier.replaced_by = count
        earlier.save(update_fields=["replaced_by"])
    return count


def refuse_impossible_number(
    cohort: DroneCohort, *, kind: str, counted_on: dt.date, number: int, now: dt.datetime
) -> None:
    if kind not in CountKind.values:
        raise Refusal(_("Choose what was counted."), field="kind")
    if not 0 <= number <= MOST_DRONES:
        raise Refusal(
            _("Enter a number from 0 to %(most)d.") % {"most": MOST_DRONES}, field="number", rule="count_possible"
        )
    if counted_on > now.astimezone(_zone(cohort)).date():
        raise Refusal(
            _("%(day)s is still to come. Enter what was seen, on the day it was seen.") % {"day": counted_on},
            field="counted_on",
            rule="observed_not_future",
        )


def refuse_count_before_comb(cohort: DroneCohort, *, kind: str, counted_on: dt.date) -> None:
    first = {
        CountKind.CAPPED: cohort.laid_on or cohort.comb_in_on,
        CountKind.EMERGED: cohort.capped_on or cohort.comb_in_on,
        CountKind.SEEN: cohort.capped_on or cohort.comb_in_on,
    }
    if kind == CountKind.PROMISED:
        return
    start = first[CountKind(kind)]
    if start is None:
        raise Refusal(_("Record the day the comb went in first."), field="kind", rule="comb_first")
    if counted_on < start:
        raise Refusal(
            _("%(day)s is before this comb was that far. Check the date.") % {"day": counted_on},
            field="counted_on",
            rule="count_after_comb",
        )


def _refuse_impossible(cohort: DroneCohort, *, counts: list[DroneCount], now: dt.datetime) -> None:
    today = now.astimezone(_zone(cohort)).date()
    for name in OBSERVED:
        day = getattr(cohort, name)
        if day is not None and day > today:
            raise Refusal(
                _("%(day)s is still to come. Enter what was seen, on the day it was seen.") % {"day": day},
                field=name,
                rule="observed_not_future",
            )
    refuse_disorder(events_of_cohort(cohort, zone=_zone(cohort).key, counts=counts))


def _zone(cohort: DroneCohort) -> ZoneInfo:
    apiary, season = cohort.source.apiary, cohort.source.season
    return ZoneInfo((apiary.time_zone if apiary else "") or season.cooperative.time_zone)
