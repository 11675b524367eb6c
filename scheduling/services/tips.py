"""Tips of the syringe: each touches the semen of one source, or of one mixture, until it is cleaned and named anew."""

import datetime as dt
import uuid

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BenchSession, DroneSource, SemenLot, TipChange
from scheduling.services.bench_guard import locked_running, refuse_ended


def tip_change(
    session: BenchSession,
    *,
    lot: SemenLot,
    tip: str,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> TipChange:
    """A new or cleaned tip in the holder, for semen of this lot: after mucus, or to go back to it."""
    entry = entry or uuid.uuid4()
    tip = tip_named(tip)
    with transaction.atomic():
        session = locked_running(session)
        known = TipChange.objects.filter(entry=entry).first()
        if known is not None:
            return known
        lot = SemenLot.objects.select_related("source").get(pk=lot.pk)
        refuse_ended(lot)
        tip_refuse_of_others(session, tip, lot=lot)
        change = TipChange.objects.create(session=session, lot=lot, tip=tip, at=now, by=by, entry=entry)
        tip_in_holder(session, tip, source=lot.source)
        audit_record(lot, action="lot.tip", by=by, now=now, cooperative=session.season.cooperative, after={"tip": tip})
    return change


def tip_named(tip: str) -> str:
    """The tip's name without stray spaces; refused without one."""
    name = " ".join(tip.split())
    if not name:
        raise Refusal(_("Name the tip, for example T1."), field="tip", rule="tip_named")
    return name


def tip_refuse_of_others(
    session: BenchSession, tip: str, *, source: DroneSource | None = None, lot: SemenLot | None = None
) -> None:
    """A tip is of one source, or of one mixture."""
    source = lot.source if lot is not None else source
    changes = TipChange.objects.filter(session=session, tip__iexact=tip).values("lot")
    touched = SemenLot.objects.filter(Q(session=session, tip__iexact=tip) | Q(pk__in=changes)).order_by("-opened_at")
    others = touched
    if source is not None:
        others = touched.exclude(source=source)
    elif lot is not None:
        others = touched.exclude(pk=lot.pk)
    other = others.select_related("source").first()
    if other is not None:
        raise Refusal(
            _("Tip %(tip)s has touched semen of %(other)s. Take a new or cleaned tip for %(source)s and name it.")
            % {"tip": tip, "other": other.source or other, "source": source or lot or _("the mixture")},
            field="tip",
            rule="tip_of_other_source",
        )


def tip_in_holder(session: BenchSession, tip: str, *, source: DroneSource | None = None) -> None:
    """It is in the holder from now on; without a source it has touched several."""
    session.current_tip, session.current_tip_source = tip, source
    session.save(update_fields=["current_tip", "current_tip_source"])
