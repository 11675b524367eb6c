"""Rules of the bench that several services hold: who may work, what a source, a lot and a queen allow."""

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from scheduling.models import BenchPlace, BenchSession, DroneSource, LotState, SemenLot, SessionState
from scheduling.planning.facts import Settings
from scheduling.queries.bench_rules import is_accepted, lot_words, sources_that_suit
from scheduling.queries.lots import lot_view, sources_of_lot
from scheduling.queries.words import and_words, volume_words


def locked_running(session: BenchSession) -> BenchSession:
    """The session's row, locked; refused when it does not run. Every bench write takes this lock first."""
    session = (
        BenchSession.objects.select_for_update(of=("self",))
        .select_related("season__cooperative", "bench")
        .get(pk=session.pk)
    )
    if session.state == SessionState.CLOSED:
        raise Refusal(
            _("This session is closed. What was forgotten is added by a correction, never by rewriting."),
            rule="session_closed",
        )
    if session.state != SessionState.RUNNING:
        raise Refusal(_("Start the session first."), rule="session_not_running")
    return session


def local_day(moment: dt.datetime, session: BenchSession) -> dt.date:
    return moment.astimezone(ZoneInfo(session.season.cooperative.time_zone)).date()


def refuse_source(source: DroneSource, *, day: dt.date) -> None:
    """No semen is taken or given from a source whose health status is not clear."""
    if source.hold_since is not None:
        raise Refusal(
            _("%(source)s is on hold: %(reason)s Only the coordinator can lift it.")
            % {"source": source, "reason": source.hold_reason},
            field="lot",
            rule="source_hold",
            lifted_by="coordinator",
        )
    if source.health_valid_until is not None and source.health_valid_until < day:
        raise Refusal(
            _("The health certificate of %(source)s ran out. The keeper asks the veterinary authority for a new one.")
            % {"source": source},
            field="lot",
            rule="source_certificate",
            lifted_by="coordinator",
        )


def words_if_refused(check: Callable[[], None]) -> str:
    """What a check would say, for showing it beforehand; empty when it says nothing."""
    try:
        check()
    except Refusal as refusal:
        return str(refusal.text)
    return ""


def refuse_old_lot(lot: SemenLot, *, day: dt.date, settings: Settings) -> None:
    """Stored semen over its limit is not given without a viability result (facts N11)."""
    age = (day - local_day(lot.opened_at, lot.session)).days
    if age > settings.semen_limit_days and lot.viability_checked_on is None:
        raise Refusal(
            _("%(lot)s is %(age)d days old; above %(limit)d days it needs a viability result first.")
            % {"lot": lot, "age": age, "limit": settings.semen_limit_days},
            field="lot",
            rule="lot_too_old",
        )


def refuse_ended(lot: SemenLot) -> None:
    if lot.state in {LotState.USED_UP, LotState.DISCARDED}:
        raise Refusal(_("%(lot)s is used up.") % {"lot": lot}, field="lot", rule="lot_ended")


def refuse_lot_for(
    lot: SemenLot, session: BenchSession, place: BenchPlace, volume_tenths: int, settings: Settings, *, now: dt.datetime
) -> None:
    """What no override lifts: another season's or source's semen, a health hold, a lot past its limit or empty."""
    if lot.session.season_id != session.season_id or lot.state in {LotState.USED_UP, LotState.DISCARDED}:
        raise Refusal(_("%(lot)s is used up or of another season.") % {"lot": lot}, field="lot", rule="lot_ended")
    given = sources_of_lot(lot)
    suits = sources_that_suit(place, settings)
    if not is_accepted(place, lot, given, suits):
        raise Refusal(
            _("Her request accepts %(accepted)s, the lot is of %(lot)s. Take another lot, or set her aside.")
            % {"accepted": and_words(sorted(str(source) for source in suits)), "lot": lot_words(lot, given)},
            field="lot",
            rule="lot_of_other_source",
        )
    for source in given:
        refuse_source(source, day=session.day)
    refuse_old_lot(lot, day=local_day(now, session), settings=settings)
    if session.current_tip and not _is_of_tip(lot, session):
        raise Refusal(
            _("The tip in the holder has touched %(other)s. Take a new or cleaned tip first.")
            % {"other": session.current_tip_source or _("a mixture")},
            field="lot",
            rule="tip_of_other_source",
        )
    if volume_tenths < 1:
        raise Refusal(_("Enter a dose above 0 µl."), field="volume", rule="dose_positive")
    left = lot_view(lot).free
    if volume_tenths > left:
        raise Refusal(
            _("%(lot)s holds %(left)s by the record. Read the syringe first, or give less.")
            % {"lot": lot, "left": volume_words(max(0, left))},
            field="volume",
            rule="lot_holds_less",
        )


def _is_of_tip(lot: SemenLot, session: BenchSession) -> bool:
    """The tip in the holder has touched semen of this lot's source alone; of a mixture: of this mixture alone."""
    if lot.source_id is not None or session.current_tip_source_id is not None:
        return lot.source_id == session.current_tip_source_id
    first = lot.session_id == session.pk and lot.tip == session.current_tip
    return first or lot.tip_changes.filter(session=session, tip=session.current_tip).exists()
