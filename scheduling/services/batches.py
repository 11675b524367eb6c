"""Queen batches: planned, observed step by step, corrected. Only observations are stored; dates follow from them."""

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts.models import Apiary, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Queen
from scheduling.models import QueenBatch, Season
from scheduling.queries.batches import backwards_from, zone_of_batch
from scheduling.services.batch_queens import queens_follow_count
from scheduling.services.batch_rules import (
    OBSERVED,
    refuse_impossible,
    refuse_strange,
    refuse_without_calendar,
)
from scheduling.services.plan_reminders import reminders_refresh_plan
from scheduling.services.record_order import refuse_disorder_of_queens
from scheduling.services.reminders import reminders_refresh_batch

DAYS = {observed.date for observed in OBSERVED.values()}


def batch_add(
    season: Season,
    *,
    member: Member,
    mother: Queen,
    name: str,
    wanted_bench_on: dt.date | None = None,
    grafted_on: dt.date | None = None,
    grafted_hour: int | None = None,
    cells_grafted: int | None = None,
    apiary: Apiary | None = None,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """Plan a batch backwards from a bench day, or take in one that is grafted already."""
    name = " ".join(name.split())
    refuse_strange(season, member=member, mother=mother, apiary=apiary)
    if wanted_bench_on is None and grafted_on is None:
        raise Refusal(
            _("Enter the bench day you want, or the day you grafted."), field="wanted_bench_on", rule="batch_needs_day"
        )
    if QueenBatch.objects.filter(season=season, name__iexact=name).exists():
        raise Refusal(_name_taken(name, season), field="name", rule="batch_name_unique")
    batch = QueenBatch(
        season=season,
        member=member,
        mother=mother,
        apiary=apiary,
        name=name,
        wanted_bench_on=wanted_bench_on,
        note=note,
        created_at=now,
    )
    if wanted_bench_on is not None:
        batch.planned_graft_on = backwards_from(wanted_bench_on, season=season).graft_on
    if grafted_on is not None:
        batch.grafted_on, batch.grafted_hour, batch.cells_grafted = grafted_on, grafted_hour, cells_grafted
        refuse_impossible(batch, now=now)
    try:
        with transaction.atomic():
            batch.save(force_insert=True)
            audit_record(
                batch,
                action="batch.graft" if grafted_on else "batch.plan",
                by=by,
                now=now,
                cooperative=season.cooperative,
                after=fields_of(
                    batch,
                    [
                        "name",
                        "member",
                        "mother",
                        "wanted_bench_on",
                        "planned_graft_on",
                        "grafted_on",
                        "grafted_hour",
                        "cells_grafted",
                    ],
                ),
            )
            reminders_refresh_batch(batch, now=now, by=by)
    except IntegrityError as error:
        raise Refusal(_name_taken(name, season), field="name", rule="batch_name_unique") from error
    return batch


def batch_replan(
    batch: QueenBatch, *, wanted_bench_on: dt.date, version: int | None = None, by: Person | None, now: dt.datetime
) -> QueenBatch:
    """Plan a batch that is not grafted yet for another bench day."""
    if batch.grafted_on is not None:
        raise Refusal(
            _("%(batch)s is grafted; its days follow from the graft. Ask for a place on another bench day instead.")
            % {"batch": batch},
            field="wanted_bench_on",
        )
    changes = {
        "wanted_bench_on": wanted_bench_on,
        "planned_graft_on": backwards_from(wanted_bench_on, season=batch.season).graft_on,
    }
    return _batch_change(batch, changes, action="batch.replan", version=version, by=by, now=now)


def batch_graft(
    batch: QueenBatch,
    *,
    grafted_on: dt.date,
    hour: int | None = None,
    cells: int | None = None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    values = {"grafted_on": grafted_on, "grafted_hour": hour, "cells_grafted": cells}
    return batch_observe(batch, step="grafted", values=values, version=version, by=by, now=now)


def batch_started(
    batch: QueenBatch,
    *,
    counted_on: dt.date,
    cells: int,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    values = {"counted_on": counted_on, "cells_started": cells}
    return batch_observe(batch, step="started", values=values, version=version, by=by, now=now)


def batch_sealed(
    batch: QueenBatch,
    *,
    sealed_on: dt.date,
    temperature_c: Decimal | None = None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    values = _with_temperature({"sealed_on": sealed_on}, temperature_c)
    return batch_observe(batch, step="sealed", values=values, version=version, by=by, now=now)


def batch_caged(
    batch: QueenBatch,
    *,
    caged_on: dt.date,
    temperature_c: Decimal | None = None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    values = _with_temperature({"caged_on": caged_on}, temperature_c)
    return batch_observe(batch, step="caged", values=values, version=version, by=by, now=now)


def batch_emerged(
    batch: QueenBatch,
    *,
    emerged_on: dt.date,
    virgins: int,
    hour: int | None = None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """Virgins emerged: each becomes a queen with a label of her own. A corrected count adds or takes back queens."""
    values = {"emerged_on": emerged_on, "emerged_hour": hour, "virgins_emerged": virgins}
    return batch_observe(batch, step="emerged", values=values, version=version, by=by, now=now)


def batch_excluder(
    batch: QueenBatch, *, excluder_on: dt.date, version: int | None = None, by: Person | None, now: dt.datetime
) -> QueenBatch:
    return batch_observe(batch, step="excluder", values={"excluder_on": excluder_on}, version=version, by=by, now=now)


def batch_eggs_seen(
    batch: QueenBatch, *, eggs_seen_on: dt.date, version: int | None = None, by: Person | None, now: dt.datetime
) -> QueenBatch:
    return batch_observe(batch, step="eggs", values={"eggs_seen_on": eggs_seen_on}, version=version, by=by, now=now)


def batch_first_co2(
    batch: QueenBatch,
    *,
    ended_at: dt.datetime | None,
    started_at: dt.datetime | None = None,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """The treatment given at home to the whole batch, by its end; None takes it back. Its reminder ends with it."""
    if ended_at is not None and ended_at > now:
        raise Refusal(
            _("That moment is still to come. Enter when the treatment ended."), field="time", rule="co2_future"
        )
    if ended_at is not None and started_at is not None and started_at >= ended_at:
        raise Refusal(_("The gas goes off after it went on. Check the two times."), field="time", rule="co2_in_order")
    action = "batch.co2" if ended_at is not None else "batch.co2.withdraw"
    with transaction.atomic():
        changed = _batch_change(
            batch,
            {"first_co2_at": ended_at, "first_co2_from": started_at if ended_at is not None else None},
            action=action,
            corrects="first_co2_at" if ended_at is not None else None,
            version=version,
            by=by,
            now=now,
        )
        reminders_refresh_plan(changed.season, now=now, by=by)
    return changed


def batch_observe(
    batch: QueenBatch,
    *,
    step: str,
    values: dict[str, Any],
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """Record or correct one observed step. The earlier value stays in the audit row; booked places stay put."""
    observed = OBSERVED[step]
    unknown = set(values) - {observed.date, *observed.with_it}
    if unknown:
        raise ValueError(f"values: {sorted(unknown)} do not belong to the step {step!r}.")
    return _batch_change(batch, values, action=f"batch.{step}", corrects=observed.date, version=version, by=by, now=now)


def batch_withdraw_step(
    batch: QueenBatch, *, step: str, version: int | None = None, by: Person | None, now: dt.datetime
) -> QueenBatch:
    """Take back a step that was recorded by mistake. What it said stays in the history."""
    if step in {"grafted", "emerged"}:
        raise Refusal(
            _("Correct the date instead: the following steps and the queens depend on it."), rule="step_carries_others"
        )
    observed = OBSERVED[step]
    own = [name for name in observed.with_it if name != "cell_temperature_c"]
    changes = dict.fromkeys([observed.date, *own])
    return _batch_change(batch, changes, action=f"batch.{step}.withdraw", version=version, by=by, now=now)


def batch_edit(
    batch: QueenBatch,
    *,
    name: str,
    apiary: Apiary | None,
    note: str,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """Name, apiary and note. Labels of queens that have one already keep it."""
    name = " ".join(name.split())
    refuse_strange(batch.season, member=batch.member, mother=None, apiary=apiary)
    if QueenBatch.objects.filter(season=batch.season, name__iexact=name).exclude(pk=batch.pk).exists():
        raise Refusal(_name_taken(name, batch.season), field="name", rule="batch_name_unique")
    changes = {"name": name, "apiary": apiary, "note": note}
    return _batch_change(batch, changes, action="batch.edit", version=version, by=by, now=now)


def batch_close(
    batch: QueenBatch, *, reason: str = "", version: int | None = None, by: Person | None, now: dt.datetime
) -> QueenBatch:
    """Nothing more is expected of this batch; its reminders end. Live bookings must be withdrawn first."""
    if batch.closed_on is not None:
        return batch
    live = batch.bookings.exclude(state__in=["not_sent", "done", "withdrawn", "lapsed"]).count()
    if live:
        raise Refusal(
            _("%(batch)s still has places asked for or given. Withdraw them first, then close it.") % {"batch": batch},
            rule="batch_has_bookings",
        )
    changes = {"closed_on": now.astimezone(zone_of_batch(batch)).date(), "closed_reason": reason}
    return _batch_change(batch, changes, action="batch.close", version=version, by=by, now=now, open_only=False)


def batch_reopen(batch: QueenBatch, *, version: int | None = None, by: Person | None, now: dt.datetime) -> QueenBatch:
    changes: dict[str, Any] = {"closed_on": None, "closed_reason": ""}
    return _batch_change(batch, changes, action="batch.reopen", version=version, by=by, now=now, open_only=False)


def _batch_change(
    batch: QueenBatch,
    changes: dict[str, Any],
    *,
    action: str,
    version: int | None,
    by: Person | None,
    now: dt.datetime,
    open_only: bool = True,
    corrects: str | None = None,
) -> QueenBatch:
    """`corrects`: the date that tells a correction from a first record."""
    with transaction.atomic():
        fresh = (
            QueenBatch.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "apiary", "mother", "member")
            .get(pk=batch.pk)
        )
        if version is not None and fresh.version != version:
            raise Refusal(
                _("%(batch)s was changed meanwhile. Look at what stands now, then save again.") % {"batch": fresh},
                rule="stale",
            )
        if open_only and fresh.closed_on is not None:
            raise Refusal(_("%(batch)s is closed. Reopen it to change it.") % {"batch": fresh}, rule="batch_closed")
        names = list(changes)
        before, was_on = fields_of(fresh, names), fresh.emerged_on
        if corrects is not None and before.get(corrects) is not None:
            action = f"{action}.correct"
        for name, value in changes.items():
            setattr(fresh, name, value)
        after = fields_of(fresh, names)
        if before == after:
            return fresh
        refuse_impossible(fresh, changed=names, now=now)
        refuse_without_calendar(fresh)
        fresh.version += 1
        fresh.save(update_fields=[*names, "version"])
        queens_follow_count(fresh, was_on=was_on, by=by, now=now)
        if DAYS & changes.keys():
            refuse_disorder_of_queens(fresh, changed=names)
        audit_record(
            fresh, action=action, by=by, now=now, cooperative=fresh.season.cooperative, before=before, after=after
        )
        reminders_refresh_batch(fresh, now=now, by=by)
    return fresh


def _with_temperature(values: dict[str, Any], temperature_c: Decimal | None) -> dict[str, Any]:
    """A temperature not given leaves the one on record alone."""
    return values if temperature_c is None else {**values, "cell_temperature_c": temperature_c}


def _name_taken(name: str, season: Season) -> str:
    return _("%(season)s has a batch “%(name)s” already. Choose another name.") % {"season": season, "name": name}
