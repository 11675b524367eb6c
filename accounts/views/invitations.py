"""Inviting somebody, and coming in by the link."""

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from accounts.forms.people import ComeInForm, PersonForm
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Invitation, Person
from accounts.queries.people import invitations_open
from accounts.services.invitations import (
    invitation_again,
    invitation_end,
    invitation_make,
    invitation_of,
    invitation_take,
    invitation_take_as,
)
from accounts.services.people import person_add
from accounts.views.people import SHOWN_INVITATION, require_coordinator
from accounts.views.shared import person_signed_in


@require_http_methods(["GET", "HEAD", "POST"])
def person_new(request: HttpRequest) -> HttpResponse:
    """Who signs in with this address already comes in at once and is told; everybody else is invited."""
    require_coordinator(request)
    viewer, now = viewer_of_request(request), now_of(request)
    form = PersonForm(request.POST or None, viewer=viewer, initial={"member": request.GET.get("member")})
    if request.method == "POST" and form.is_valid():
        given = {**form.cleaned_data, "by": viewer.person, "now": now}
        if Person.objects.filter(email__iexact=given["email"]).exists():
            added = tried(form, lambda: person_add(viewer.cooperative, **given))
            if added is not None:
                messages.success(request, _("%(person)s is added.") % {"person": added.person.name})
                return redirect("accounts:person", pk=added.person.pk)
        else:
            made = tried(form, lambda: invitation_make(viewer.cooperative, **given))
            if made is not None:
                request.session[SHOWN_INVITATION] = made[1]
                messages.success(request, _("%(person)s is invited.") % {"person": made[0].name})
                return redirect("accounts:members")
    return render(request, "accounts/person_new.html", {"form": form})


@require_POST
def again(request: HttpRequest, pk: int) -> HttpResponse:
    row, by = _invitation_or_404(request, pk), viewer_of_request(request).person
    link = tried_with_message(request, lambda: invitation_again(row, by=by, now=now_of(request)))
    if link is not None:
        request.session[SHOWN_INVITATION] = link
    return redirect("accounts:members")


@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    row = _invitation_or_404(request, pk)
    invitation_end(row, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("The invitation of %(person)s is taken back.") % {"person": row.name})
    return redirect("accounts:members")


@sensitive_post_parameters("password")
@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Behind the link: a name and a password; who is known by the address signs in first and comes back here."""
    now = now_of(request)
    invitation = invitation_of(token, now=now)
    if invitation is None:
        return render(request, "accounts/join_over.html", status=410)
    person = request.user if isinstance(request.user, Person) else None
    is_known = Person.objects.filter(email__iexact=invitation.email).exists()
    form = ComeInForm((not is_known and request.POST) or None, initial={"name": invitation.name})
    if request.method == "POST" and is_known and person is not None:
        if tried_with_message(request, lambda: invitation_take_as(invitation, person=person, now=now)):
            messages.success(request, _welcome(invitation))
            return redirect("today")
    elif form.is_valid():
        made = tried(form, lambda: invitation_take(invitation, **form.cleaned_data, now=now))
        if made is not None:
            messages.success(request, _welcome(invitation))
            return person_signed_in(request, made)
    context = {"invitation": invitation, "form": form, "is_known": is_known, "person": person}
    answer = render(request, "accounts/join.html", context)
    answer["X-Robots-Tag"] = "noindex"
    return answer


def _invitation_or_404(request: HttpRequest, pk: int) -> Invitation:
    require_coordinator(request)
    row: Invitation = get_object_or_404(invitations_open(viewer_of_request(request)), pk=pk)
    return row


def _welcome(invitation: Invitation) -> str:
    return _("Welcome to %(cooperative)s.") % {"cooperative": invitation.cooperative.name}
