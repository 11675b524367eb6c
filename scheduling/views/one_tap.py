"""Behind the buttons of a message: a small page, without signing in. Only its own button changes anything."""

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from accounts.http import now_of
from accounts.refusals import Refusal
from accounts.services.slowdown import Bucket, slowdown_take
from accounts.views.shared import address_of
from scheduling.models import Reminder, ReminderState
from scheduling.queries.tellings import zone_of_person
from scheduling.queries.words import moment_words
from scheduling.reminder_kinds import KINDS
from scheduling.services.one_tap import PUT_OFF_HOURS, Act, Tap, tap_do, tap_read, tap_token

FREE_FORGED = 20


@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def one_tap(request: HttpRequest, token: str) -> HttpResponse:
    tap = tap_read(token, now=now_of(request))
    if tap is None or tap.act == Act.STOP:
        return _unknown(request)
    if request.method == "POST" and not tap.is_settled:
        try:
            tap_do(tap, now=now_of(request))
        except Refusal as refusal:
            return _page(request, tap, problem=refusal.text, status=422)
        return redirect("scheduling:one_tap", token)
    return _page(request, tap)


@never_cache
@csrf_exempt  # mail programs post here by themselves (RFC 8058), without a form of ours; the link is the key
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def mail_stop(request: HttpRequest, token: str) -> HttpResponse:
    """No more mail of a routine kind. Answers without a redirect, as RFC 8058 wants it."""
    tap = tap_read(token, now=now_of(request))
    if tap is None or tap.act != Act.STOP:
        return _unknown(request)
    if request.method == "POST" and tap.is_allowed and not tap.is_old:
        tap_do(tap, now=now_of(request))
    return _page(request, tap)


def _unknown(request: HttpRequest) -> HttpResponse:
    """Forged, or what it was about is gone. Whoever tries many waits."""
    seconds = slowdown_take([Bucket("one_tap", address_of(request), FREE_FORGED)], now=now_of(request))
    if seconds:
        answer = HttpResponse(_("Too many links that are not ours. Wait a little."), status=429)
        answer["Retry-After"] = str(seconds)
        return answer
    raise Http404


def _page(request: HttpRequest, tap: Tap, *, problem: str = "", status: int = 200) -> HttpResponse:
    finding, text = _said(tap)
    works = tap.is_allowed and not tap.is_old
    context: dict[str, Any] = {
        "tap": tap,
        "finding": finding,
        "text": text,
        "problem": problem,
        "button": _button(tap) if works and not tap.is_settled and not problem else "",
        "undo": _undo(tap) if works and tap.is_settled else "",
    }
    answer = render(request, "scheduling/one_tap.html", context, status=status)
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    return answer


def _said(tap: Tap) -> tuple[str, str]:
    """What the page says first, and one sentence."""
    kind, who = KINDS[tap.reminder.kind].label, tap.delivery.person
    if not tap.is_allowed:
        return _("This link does not work any more"), _("%(who)s is not told of this any more.") % {"who": who}
    if tap.act in (Act.STOP, Act.RESUME):
        if tap.is_settled == (tap.act == Act.STOP):
            return _("No more e-mails: %(kind)s") % {"kind": kind}, _("In the app it is still shown, as everything is.")
        return _("E-mails come: %(kind)s") % {"kind": kind}, _("To %(who)s, for this kind of reminder.") % {"who": who}
    if tap.is_old:
        return _("This link is too old"), _("What it was about is long over. Sign in to see what is due now.")
    return _state_of(tap.reminder, tap)


def _state_of(reminder: Reminder, tap: Tap) -> tuple[str, str]:
    if reminder.state in (ReminderState.DONE, ReminderState.LET_GO):
        words = _("Done: %(title)s") if reminder.state == ReminderState.DONE else _("Let go: %(title)s")
        return words % {"title": reminder.title}, _noted(reminder.ended_by, reminder.ended_at, tap)
    if reminder.state == ReminderState.SUPERSEDED:
        return _("This has moved: %(title)s") % {"title": reminder.title}, _moved(reminder, tap)
    if tap.act == Act.UNDO and tap.is_settled:
        return _("It stands again: %(title)s") % {"title": reminder.title}, str(reminder.why)
    if reminder.pk != tap.delivery.reminder_id:
        until = _moment(reminder.due_at, tap)
        return _("Put off: %(title)s") % {"title": reminder.title}, _("You are told again on %(moment)s.") % {
            "moment": until
        }
    if reminder.acknowledged_at is not None:
        noted = _noted(reminder.acknowledged_by, reminder.acknowledged_at, tap)
        return _("Seen: %(title)s") % {"title": reminder.title}, _("%(noted)s Nobody else is told of it now.") % {
            "noted": noted
        }
    return str(reminder.title), str(reminder.why)


def _moved(reminder: Reminder, tap: Tap) -> str:
    newer = reminder.replaced_by
    if newer is None:
        return _("It is not wanted any more: the plan or the dates have changed. Sign in to see how things stand.")
    return _("It is now due on %(moment)s. The newer message has its own buttons.") % {
        "moment": _moment(newer.due_at, tap)
    }


def _noted(by: Any, at: dt.datetime | None, tap: Tap) -> str:
    moment = _moment(at, tap) if at else ""
    if by is None:
        return _("Noted on %(moment)s, by what was entered.") % {"moment": moment}
    return _("Noted by %(who)s on %(moment)s.") % {"who": by, "moment": moment}


def _moment(moment: dt.datetime, tap: Tap) -> str:
    return moment_words(moment, ZoneInfo(zone_of_person(tap.delivery.person, tap.reminder.cooperative)))


def _button(tap: Tap) -> str:
    if tap.reminder.state == ReminderState.SUPERSEDED:
        return ""
    words = {
        Act.DONE: _("Seen") if KINDS[tap.reminder.kind].is_news else _("Yes, it is done"),
        Act.PUT_OFF: _("Tell me again in %(n)d hours") % {"n": PUT_OFF_HOURS},
        Act.SEEN: _("I have seen it and am on it"),
        Act.UNDO: _("Take it back"),
        Act.STOP: _("No more e-mails of this kind"),
        Act.RESUME: _("Send them again"),
    }
    return words[tap.act]


def _undo(tap: Tap) -> str:
    """The token of what takes the act back, as long as that is possible."""
    if tap.act == Act.STOP:
        return tap_token(tap.delivery, Act.RESUME)
    ended = tap.reminder.state in (ReminderState.DONE, ReminderState.LET_GO)
    acknowledged = tap.act == Act.SEEN and tap.reminder.acknowledged_at is not None
    return tap_token(tap.delivery, Act.UNDO) if ended or acknowledged else ""
