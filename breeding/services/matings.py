"""Matings: what really happened. Each kind of mating says what belongs to it in `services.rules`."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import Mating, MatingShare, Queen, QueenStatus, SemenBatch, SemenBatchShare
from breeding.queries.ancestry import ancestors_of
from breeding.services.rules import (
    SourceShare,
    check_mating_day,
    check_mating_shape,
    check_not_later,
    check_shares,
    check_source_age,
    local_day,
)


@dataclass(frozen=True)
class Share:
    """One drone-producing queen's part; volume in tenths of a µl and drones where they are known."""

    drone_queen: Queen
    volume_tenths: int | None = None
    drones: int | None = None


def mating_record(
    queen: Queen,
    *,
    kind: str,
    by: Person | None,
    now: dt.datetime,
    shares: Sequence[Share] = (),
    mated_on: dt.date | None = None,
    total_tenths: int | None = None,
    drones: int | None = None,
    shared_batch: SemenBatch | None = None,
    station_mother: Queen | None = None,
    station_queens: int | None = None,
    place: str = "",
) -> Mating:
    """Record her one mating; the same one again changes nothing, another one is refused.

    Volumes are whole tenths of a µl, for every source or for none. The mating is complete when
    the parts are known and sum up to the whole.
    """
    wanted = _Wanted(
        kind, tuple(shares), mated_on, total_tenths, drones, shared_batch, station_mother, station_queens, place.strip()
    ).checked(queen, now=now)
    with transaction.atomic():
        queen = Queen.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=queen.pk)
        existing = Mating.objects.filter(queen=queen).first()
        if existing is not None:
            if mating_facts(existing) == wanted.facts():
                return existing
            raise Refusal(
                _("The mating of %(queen)s is recorded already. Correct it instead.") % {"queen": queen.label},
                rule="already_mated",
            )
        mating = Mating(queen=queen, recorded_at=now)
        _write(mating, wanted)
        if queen.status == QueenStatus.VIRGIN:
            queen.status = QueenStatus.MATED
            queen.save(update_fields=["status"])
        audit_record(
            mating, action="mating.record", by=by, now=now, cooperative=queen.cooperative, after=wanted.facts()
        )
    return mating


def mating_correct(mating: Mating, *, by: Person | None, now: dt.datetime, **wanted: Any) -> Mating:
    """Replace what was recorded (arguments as `mating_record`); the earlier facts stay in the history."""
    wanted.setdefault("shares", ())
    fields = ("mated_on", "total_tenths", "drones", "shared_batch", "station_mother", "station_queens")
    new = _Wanted(
        kind=wanted["kind"],
        shares=tuple(wanted["shares"]),
        place=str(wanted.get("place") or "").strip(),
        **{name: wanted.get(name) for name in fields},
    ).checked(mating.queen, now=now)
    with transaction.atomic():
        mating = Mating.objects.select_for_update(of=("self",)).select_related("queen__cooperative").get(pk=mating.pk)
        before = mating_facts(mating)
        if before == new.facts():
            return mating
        Mating.objects.filter(pk=mating.pk).update(is_complete=False)
        mating.shares.all().delete()
        _write(mating, new)
        audit_record(
            mating,
            action="mating.correct",
            by=by,
            now=now,
            cooperative=mating.queen.cooperative,
            before=before,
            after=new.facts(),
        )
    return mating


def mating_withdraw(mating: Mating, *, by: Person | None, now: dt.datetime, note: str = "") -> None:
    """It never happened: she is a virgin again. Refused while daughters or scores depend on it."""
    queen = mating.queen
    if queen.daughters.exists() or queen.scores.filter(withdrawn_at__isnull=True).exists():
        raise Refusal(
            _("%(queen)s has daughters or scores. Correct the mating instead.") % {"queen": queen.label},
            rule="mating_in_use",
        )
    with transaction.atomic():
        before = mating_facts(mating)
        audit_record(
            mating,
            action="mating.withdraw",
            by=by,
            now=now,
            cooperative=queen.cooperative,
            before=before,
            note=note,
        )
        Mating.objects.filter(pk=mating.pk).update(is_complete=False)  # what is complete must add up, share by share
        mating.delete()
        Queen.objects.filter(pk=queen.pk, status=QueenStatus.MATED).update(status=QueenStatus.VIRGIN)


def semen_batch_make(
    cooperative: Cooperative,
    *,
    label: str,
    shares: Sequence[Share],
    by: Person | None,
    now: dt.datetime,
    made_on: dt.date | None = None,
) -> SemenBatch:
    """A homogenised mixture for several queens, complete with all its sources."""
    label = label.strip()
    if not label:
        raise Refusal(_("Give the batch a label."), field="label", rule="label_missing")
    check_not_later(made_on, local_day(now, cooperative), field="made_on")
    if not shares:
        raise Refusal(_("Name at least one source of the semen."), field="shares", rule="source_missing")
    _check_sources(shares, cooperative, made_on)
    total = check_shares([_plain(share) for share in shares], total_tenths=None)
    if total is None:
        raise Refusal(
            _("Enter the volume of every source; a shared batch has known parts."),
            field="shares",
            rule="batch_volumes",
        )
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if SemenBatch.objects.filter(cooperative=cooperative, label=label).exists():
            raise Refusal(
                _("There is a batch %(label)s already.") % {"label": label}, field="label", rule="label_taken"
            )
        batch = SemenBatch.objects.create(cooperative=cooperative, label=label, made_on=made_on, total_tenths=total)
        _shares_write(batch, shares)
        batch.is_complete = True
        batch.save(update_fields=["is_complete"])
        audit_record(
            batch,
            action="semen_batch.make",
            by=by,
            now=now,
            cooperative=cooperative,
            after={"label": label, "made_on": made_on, "total_tenths": total, "shares": _share_facts(shares)},
        )
    return batch


def semen_batch_correct(
    batch: SemenBatch, *, shares: Sequence[Share], by: Person | None, now: dt.datetime
) -> SemenBatch:
    """What a mixture was really made of; its volume is the sum. Matings that share it have the new parts."""
    _check_sources(shares, batch.cooperative, batch.made_on)
    total = check_shares([_plain(share) for share in shares], total_tenths=None)
    with transaction.atomic():
        batch = SemenBatch.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=batch.pk)
        rows = batch.shares.select_related("drone_queen")
        known = [Share(row.drone_queen, row.volume_tenths, row.drones) for row in rows]
        before, after = _share_facts(known), _share_facts(shares)
        if before == after:
            return batch
        for mating in batch.matings.select_related("queen"):
            _check_no_loop(mating.queen, tuple(shares), None)
        SemenBatch.objects.filter(pk=batch.pk).update(is_complete=False)
        batch.shares.all().delete()
        SemenBatch.objects.filter(pk=batch.pk).update(total_tenths=total or batch.total_tenths)
        _shares_write(batch, shares)
        SemenBatch.objects.filter(pk=batch.pk).update(is_complete=total is not None)
        audit_record(
            batch,
            action="semen_batch.correct",
            by=by,
            now=now,
            cooperative=batch.cooperative,
            before={"shares": before},
            after={"shares": after},
        )
    return batch


def semen_batch_withdraw(batch: SemenBatch, *, by: Person | None, now: dt.datetime) -> None:
    """A mixture that was not made after all. Refused while a mating is of it."""
    with transaction.atomic():
        batch = SemenBatch.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=batch.pk)
        if batch.matings.exists():
            raise Refusal(_("A mating is of %(batch)s.") % {"batch": batch}, field="batch", rule="batch_in_use")
        rows = batch.shares.select_related("drone_queen")
        shares = _share_facts([Share(row.drone_queen, row.volume_tenths, row.drones) for row in rows])
        audit_record(
            batch,
            action="semen_batch.withdraw",
            by=by,
            now=now,
            cooperative=batch.cooperative,
            before={"label": batch.label, "total_tenths": batch.total_tenths, "shares": shares},
        )
        SemenBatch.objects.filter(pk=batch.pk).update(is_complete=False)
        batch.delete()


def _shares_write(batch: SemenBatch, shares: Sequence[Share]) -> None:
    SemenBatchShare.objects.bulk_create(
        SemenBatchShare(
            batch=batch, drone_queen=share.drone_queen, volume_tenths=share.volume_tenths or 0, drones=share.drones
        )
        for share in shares
    )


@dataclass(frozen=True)
class _Wanted:
    """A mating as asked for; `checked` returns it as it is to be written."""

    kind: str
    shares: tuple[Share, ...]
    mated_on: dt.date | None
    total_tenths: int | None
    drones: int | None
    shared_batch: SemenBatch | None
    station_mother: Queen | None
    station_queens: int | None
    place: str

    def checked(self, queen: Queen, *, now: dt.datetime) -> "_Wanted":
        cooperative = queen.cooperative
        check_mating_day(self.mated_on, queen.emerged_on, queen.birth_year, today=local_day(now, cooperative))
        shares, total = check_mating_shape(
            self.kind,
            [_plain(share) for share in self.shares],
            total_tenths=self.total_tenths,
            drones=self.drones,
            has_batch=self.shared_batch is not None,
            has_station_mother=self.station_mother is not None,
            station_queens=self.station_queens,
            place=self.place,
        )
        _check_sources(self.shares, cooperative, self.mated_on)
        batch = self.shared_batch if self.kind == "batch" else None
        station_mother = self.station_mother if self.kind == "station" else None
        if batch is not None and batch.cooperative_id != cooperative.pk:
            raise Refusal(_("Choose a batch of your own cooperative."), field="shared_batch", rule="other_cooperative")
        if station_mother is not None:
            _check_station_mother(queen, station_mother, self.mated_on)
        _check_no_loop(queen, self.shares, batch)
        by_id = {share.drone_queen.pk: share.drone_queen for share in self.shares}
        in_the_open = self.kind in {"station", "open"}
        return _Wanted(
            kind=self.kind,
            shares=tuple(Share(by_id[s.drone_queen_id], s.volume_tenths, s.drones) for s in shares),
            mated_on=self.mated_on,
            total_tenths=total,
            drones=self.drones if in_the_open else None,
            shared_batch=batch,
            station_mother=station_mother,
            station_queens=self.station_queens if self.kind == "station" else None,
            place=self.place if in_the_open else "",
        )

    @property
    def is_complete(self) -> bool:
        volumes = [share.volume_tenths for share in self.shares]
        return bool(volumes) and None not in volumes

    def facts(self) -> dict[str, Any]:
        return {
            "kind": str(self.kind),
            "mated_on": self.mated_on.isoformat() if self.mated_on else None,
            "total_tenths": self.total_tenths,
            "drones": self.drones,
            "shared_batch": self.shared_batch.pk if self.shared_batch else None,
            "station_mother": self.station_mother.pk if self.station_mother else None,
            "station_queens": self.station_queens,
            "place": self.place,
            "shares": _share_facts(self.shares),
        }


def mating_facts(mating: Mating) -> dict[str, Any]:
    """What is recorded, as plain values: for the history and to see whether anything would change."""
    return {
        "kind": str(mating.kind),
        "mated_on": mating.mated_on.isoformat() if mating.mated_on else None,
        "total_tenths": mating.total_tenths,
        "drones": mating.drones,
        "shared_batch": mating.shared_batch_id,
        "station_mother": mating.station_mother_id,
        "station_queens": mating.station_queens,
        "place": mating.place,
        "shares": _share_facts(
            [
                Share(share.drone_queen, share.volume_tenths, share.drones)
                for share in mating.shares.select_related("drone_queen")
            ]
        ),
    }


def _share_facts(shares: Sequence[Share]) -> list[dict[str, Any]]:
    return [
        {
            "drone_queen": share.drone_queen.pk,
            "label": share.drone_queen.label,
            "volume_tenths": share.volume_tenths,
            "drones": share.drones,
        }
        for share in sorted(shares, key=lambda share: share.drone_queen.pk)
    ]


def _write(mating: Mating, wanted: _Wanted) -> None:
    """Parent first and not complete, then the parts, then the parent complete: the database adds up in between."""
    for name in (
        "kind",
        "mated_on",
        "total_tenths",
        "drones",
        "shared_batch",
        "station_mother",
        "station_queens",
        "place",
    ):
        setattr(mating, name, getattr(wanted, name))
    mating.is_complete = False
    mating.recorded_tenths = 0
    mating.save()
    MatingShare.objects.bulk_create(
        MatingShare(
            mating=mating, drone_queen=share.drone_queen, volume_tenths=share.volume_tenths, drones=share.drones
        )
        for share in wanted.shares
    )
    if wanted.is_complete:
        mating.is_complete = True
        mating.save(update_fields=["is_complete"])
    mating.refresh_from_db(fields=["recorded_tenths"])


def _plain(share: Share) -> SourceShare:
    return SourceShare(share.drone_queen.pk, share.drone_queen.label, share.volume_tenths, share.drones)


def _check_sources(shares: Sequence[Share], cooperative: Cooperative, mated_on: dt.date | None) -> None:
    for share in shares:
        if share.drone_queen.cooperative_id != cooperative.pk:
            raise Refusal(
                _("Choose drone-producing queens of your own cooperative."), field="shares", rule="other_cooperative"
            )
        check_source_age(share.drone_queen.label, share.drone_queen.birth_year, mated_on, field="shares")


def _check_station_mother(queen: Queen, station_mother: Queen, mated_on: dt.date | None) -> None:
    if station_mother.cooperative_id != queen.cooperative_id:
        raise Refusal(
            _("Choose a station mother of your own cooperative."), field="station_mother", rule="other_cooperative"
        )
    check_source_age(station_mother.label, station_mother.birth_year, mated_on, field="station_mother")
    if queen.pk in ancestors_of([station_mother.pk]):
        raise Refusal(
            _("%(mother)s is %(queen)s or descends from her: her daughters cannot have been there before.")
            % {"mother": station_mother.label, "queen": queen.label},
            field="station_mother",
            rule="loop",
        )


def _check_no_loop(queen: Queen, shares: Sequence[Share], batch: SemenBatch | None) -> None:
    """Own sons are possible; drones of a descendant are not, for she was mated before there were any."""
    sources = {share.drone_queen.pk: share.drone_queen.label for share in shares}
    if batch is not None:
        sources |= dict(batch.shares.values_list("drone_queen_id", "drone_queen__label"))
    sources.pop(queen.pk, None)
    if not sources or queen.pk not in ancestors_of(sources):
        return
    for pk, label in sources.items():
        if queen.pk in ancestors_of([pk]):
            raise Refusal(
                _("%(source)s descends from %(queen)s, so her drones came after this mating. Choose another source.")
                % {"source": label, "queen": queen.label},
                field="shares" if batch is None else "shared_batch",
                rule="loop",
            )
