"""Taking back what one tap did: by the entry that did it. Rows are marked, never deleted."""

import datetime as dt
import uuid

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import (
    BenchSession,
    Dose,
    DroneTally,
    LotMovement,
    LotState,
    MovementKind,
    SemenLot,
)
from scheduling.queries.lots import lot_view
from scheduling.queries.words import volume_words
from scheduling.services.bench_guard import locked_running
from scheduling.services.bench_queens import dose_undo
from scheduling.services.mixtures import MIXED, mixture_take_back


def tap_undo(session: BenchSession, *, entry: uuid.UUID, by: Person, now: dt.datetime) -> None:
    """Take back the tally, reading, dose, movement or mixture of an entry. Taken back already: nothing changes."""
    with transaction.atomic():
        session = locked_running(session)
        tally = DroneTally.objects.filter(entry=entry, lot__session=session).first()
        movement = LotMovement.objects.filter(entry=entry).exclude(kind__in=MIXED).first()
        dose = Dose.objects.filter(entry=entry, session=session).first()
        made_here = SemenLot.objects.filter(entry=entry, session=session, source=None, parts=None)
        mixture = made_here.select_related("semen_batch", "session__season__cooperative").first()
        if tally is not None:
            if tally.undone_at is None:
                tally.undone_at = now
                tally.save(update_fields=["undone_at"])
        elif movement is not None:
            _movement_undo(movement, session, by=by, now=now)
        elif dose is not None:
            dose_undo(dose, by=by, now=now)
        elif mixture is not None:
            mixture_take_back(mixture, by=by, now=now)
        else:
            raise Refusal(_("There is nothing on record to take back."), rule="nothing_to_undo")


def _movement_undo(movement: LotMovement, session: BenchSession, *, by: Person, now: dt.datetime) -> None:
    if movement.undone_at is not None:
        return
    lot = SemenLot.objects.select_for_update(of=("self",)).get(pk=movement.lot_id)
    left = lot_view(lot).balance.unexplained
    if movement.kind == MovementKind.COLLECTED and movement.volume_tenths > left:
        raise Refusal(
            _("Of %(lot)s, %(used)s of this reading are given or taken out already. Take that back first.")
            % {"lot": lot, "used": volume_words(movement.volume_tenths - max(0, left))},
            rule="lot_holds_less",
        )
    movement.undone_at = now
    movement.save(update_fields=["undone_at"])
    stored = lot.movements.filter(kind=MovementKind.STORED, undone_at__isnull=True).exists()
    if movement.kind == MovementKind.STORED and not stored and lot.state == LotState.STORED:
        lot.state, lot.storage_note = LotState.OPEN, ""
        lot.save(update_fields=["state", "storage_note"])
    elif stored and lot.state == LotState.DISCARDED:
        lot.state = LotState.STORED
        lot.save(update_fields=["state"])
    audit_record(
        lot,
        action="lot.undo",
        by=by,
        now=now,
        cooperative=session.season.cooperative,
        before={"kind": movement.kind, "volume_tenths": movement.volume_tenths},
    )
