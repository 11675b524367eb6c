"""Where somebody is signed in."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from accounts.http import now_of
from accounts.queries.sessions import open_sessions_of
from accounts.services.sessions import session_end, sessions_end
from accounts.views.shared import signed_in_person, without_cooperative


@never_cache
@require_safe
@without_cooperative
def sessions(request: HttpRequest) -> HttpResponse:
    rows = open_sessions_of(signed_in_person(request), now=now_of(request))
    return render(request, "accounts/sessions.html", {"rows": rows, "here": request.session.session_key})


@require_POST
@without_cooperative
def end(request: HttpRequest, pk: int) -> HttpResponse:
    person, now = signed_in_person(request), now_of(request)
    row = get_object_or_404(open_sessions_of(person, now=now).exclude(session_key=request.session.session_key), pk=pk)
    session_end(row, by=person, now=now)
    messages.success(request, _("Signed out on %(device)s.") % {"device": row.device})
    return redirect("accounts:sessions")


@require_POST
@without_cooperative
def end_others(request: HttpRequest) -> HttpResponse:
    person = signed_in_person(request)
    ended = sessions_end(person, but=request.session.session_key, by=person, now=now_of(request))
    text = ngettext("Signed out on %(n)d other device.", "Signed out on %(n)d other devices.", ended)
    messages.success(request, text % {"n": ended} if ended else _("You were signed in nowhere else."))
    return redirect("accounts:sessions")
