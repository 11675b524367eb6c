"""Signing in and out, and through whose eyes one looks."""

from urllib.parse import urlencode

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_found, viewer_of
from accounts.forms.session import SignInForm
from accounts.http import now_of, tried, viewer_of_request
from accounts.middleware import COOPERATIVE_KEY, ROLE_KEY
from accounts.models import Person
from accounts.navigation import more_groups, roles_of, shown_role
from accounts.practice import PRACTICE_PASSWORD, practice_sign_ins
from accounts.queries.people import cooperatives_of
from accounts.services.sign_in import sign_in_try
from accounts.views.shared import (
    address_of,
    devices_of,
    person_signed_in,
    safe_next,
    signed_in_person,
    without_cooperative,
    without_second_step,
)


@sensitive_post_parameters("password")
@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    if request.user.is_authenticated:
        return redirect(safe_next(request) or "today")
    if can_found(None):
        return redirect("scheduling:founding")
    form = SignInForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        devices, address = devices_of(request), address_of(request)
        person = tried(
            form,
            lambda: sign_in_try(
                form.cleaned_data["email"],
                password=form.cleaned_data["password"],
                devices=devices,
                address=address,
                now=now_of(request),
            ),
        )
        if person is not None:
            return person_signed_in(request, person)
    return render(
        request,
        "accounts/sign_in.html",
        {
            "form": form,
            "next": safe_next(request),
            "practice_accounts": [] if settings.SERVED else practice_sign_ins(),
            "practice_password": PRACTICE_PASSWORD,
        },
    )


@login_not_required
@require_safe
def admin_sign_in(request: HttpRequest) -> HttpResponse:
    """The administration's own door would know neither waits nor second steps."""
    if isinstance(request.user, Person) and not request.user.is_staff:
        messages.error(request, _("Whoever looks after the installation gives access to its administration."))
        return redirect("today")
    return redirect(f"{reverse('accounts:sign_in')}?{urlencode({'next': safe_next(request) or '/admin/'})}")


@require_POST
@without_cooperative
@without_second_step
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    messages.success(request, _("You are signed out."))
    response = redirect("accounts:sign_in")
    response["Clear-Site-Data"] = '"cache"'
    return response


@require_safe
@without_cooperative
def no_cooperative(request: HttpRequest) -> HttpResponse:
    if getattr(request, "viewer", None) is not None:
        return redirect("today")
    person = signed_in_person(request)
    return render(request, "accounts/no_cooperative.html", {"person": person, "may_found": can_found(person)})


@require_safe
def more(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    role = shown_role(request, viewer)
    return render(
        request,
        "accounts/more.html",
        {"groups": more_groups(request, viewer, role), "cooperatives": cooperatives_of(viewer.person)},
    )


@require_POST
def role(request: HttpRequest) -> HttpResponse:
    """Look as another of one's roles. One that the person does not hold changes nothing."""
    wanted = request.POST.get("role", "")
    if wanted in roles_of(viewer_of_request(request)):
        request.session[ROLE_KEY] = wanted
    return redirect("today")


@require_POST
def cooperative(request: HttpRequest) -> HttpResponse:
    """Look at another cooperative to which the person belongs."""
    person = viewer_of_request(request).person
    wanted = request.POST.get("cooperative", "")
    chosen = get_object_or_404(cooperatives_of(person), pk=int(wanted) if wanted.isdecimal() else 0)
    request.session[COOPERATIVE_KEY] = chosen.pk
    request.session.pop(ROLE_KEY, None)
    request.viewer = viewer_of(person, chosen.pk)  # type: ignore[attr-defined]
    return redirect("today")
