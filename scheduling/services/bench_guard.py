"""Rules of the bench that several services hold: who may work, what a source, a lot and a queen allow."""

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from scheduling.models import BenchSession, DroneSource, LotState, SemenLot, SessionState
from scheduling.planning.facts import Settings


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
