"""Reminders: what is due, and saying that it is done, put off or let go."""

import datetime as dt

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Person
from accounts.services.wishes import wishes_set
from scheduling.forms.reminders import PutOffForm, WishesForm
from scheduling.models import Reminder
from scheduling.queries.reminders import ended_reminders, open_reminders, reminders_settled_by, shown
from scheduling.services.channels import ways_of
from scheduling.services.reminder_rows import (
    reminder_acknowledge,
    reminder_done,
    reminder_let_go,
    reminder_put_off,
    reminder_take_back,
)
from scheduling.services.summary import summary_set


@require_http_methods(["GET"])
def reminder_list(request: HttpRequest) -> HttpResponse:
    viewer, now = viewer_of_request(request), now_of(request)
    rows = open_reminders(viewer, now=now)
    due = [row for row in rows if row.state in {"due", "late"}]
    return render(
        request,
        "scheduling/reminders.html",
        {
            "title": _finding(len(due)),
            "due": due,
            "on_it": [row for row in rows if row.state == "acknowledged"],
            "coming": [row for row in rows if row.state in {"coming", "put_off"}],
            "ended": ended_reminders(viewer, now=now, since=now - dt.timedelta(days=14)),
        },
    )


def _finding(due: int) -> str:
    if not due:
        return _("Nothing is due")
    return ngettext("%(number)d reminder is due", "%(number)d reminders are due", due) % {"number": due}


@require_POST
def done(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = _load(request, pk)
    if tried_with_message(request, lambda: reminder_done(reminder, by=_person(request), now=now_of(request))):
        messages.success(request, _("Done: %(title)s.") % {"title": reminder.title}, extra_tags=_undo_tag(reminder))
    return _back(request)


@require_POST
def acknowledge(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = _load(request, pk)
    if tried_with_message(request, lambda: reminder_acknowledge(reminder, by=_person(request), now=now_of(request))):
        messages.success(
            request,
            _("Nobody else is told of it. It stays here until it is done."),
            extra_tags=_undo_tag(reminder),
        )
    return _back(request)


@require_POST
def let_go(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = _load(request, pk)
    if tried_with_message(request, lambda: reminder_let_go(reminder, by=_person(request), now=now_of(request))):
        messages.success(request, _("Let go: %(title)s.") % {"title": reminder.title}, extra_tags=_undo_tag(reminder))
    return _back(request)


@require_POST
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = _load(request, pk)
    reminder_take_back(reminder, by=_person(request), now=now_of(request))
    return _back(request)


@require_http_methods(["GET", "POST"])
def put_off(request: HttpRequest, pk: int) -> HttpResponse:
    reminder, now = _load(request, pk), now_of(request)
    form = PutOffForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        until = form.until(now=now)
        if tried(form, lambda: reminder_put_off(reminder, until=until, by=_person(request), now=now)):
            messages.success(request, _("Put off: %(title)s.") % {"title": reminder.title})
            return redirect("scheduling:reminders")
    return render(
        request,
        "scheduling/reminder_put_off.html",
        {"form": form, "shown": shown(reminder, now=now), "reminder": reminder},
    )


@require_http_methods(["GET", "POST"])
def wishes(request: HttpRequest) -> HttpResponse:
    person = _person(request)
    viewer = viewer_of_request(request)
    form = WishesForm(request.POST or None, person=person, ways=ways_of(person, viewer.cooperative))
    if request.method == "POST" and form.is_valid():
        wishes_set(person, wanted=form.wanted, cooperative=viewer.cooperative, by=person, now=now_of(request))
        summary_set(
            person,
            at=form.cleaned_data["summary_at"],
            cooperative=viewer.cooperative,
            by=person,
            now=now_of(request),
        )
        messages.success(request, _("Your wishes are kept."))
        return redirect("scheduling:reminders")
    return render(request, "scheduling/reminder_wishes.html", {"form": form})


def _load(request: HttpRequest, pk: int) -> Reminder:
    return get_object_or_404(reminders_settled_by(viewer_of_request(request)), pk=pk)


def _person(request: HttpRequest) -> Person:
    return viewer_of_request(request).person


def _undo_tag(reminder: Reminder) -> str:
    """The toast's Undo posts here; see templates/parts for how a message carries it."""
    return f"undo:/reminders/{reminder.pk}/take-back/"


def _back(request: HttpRequest) -> HttpResponseRedirect:
    """To the page the button stood on, when that is a page of ours."""
    target = request.POST.get("next", "")
    if url_has_allowed_host_and_scheme(target, allowed_hosts={request.get_host()}, require_https=request.is_secure()):
        return HttpResponseRedirect(target)
    return redirect("scheduling:reminders")
