"""The second step: asked for at sign-in, set up and removed under You."""

from collections.abc import Callable
from urllib.parse import quote, urlencode

import segno
from allauth.mfa.totp.internal.auth import generate_totp_secret
from allauth.mfa.webauthn.internal import auth as webauthn
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.forms.session import CodeForm, ConfirmForm, CredentialForm, PasskeyForm
from accounts.http import agreed, now_of, tried, tried_with_message, viewer_of_request
from accounts.queries.second_step import needs_second_step, second_step_due, second_step_of
from accounts.second_step import SITE
from accounts.services.passwords import password_confirm
from accounts.services.second_step import (
    app_add,
    code_check,
    codes_make,
    passkey_add,
    passkey_check,
    passkey_sign_in,
    second_step_remove,
    second_step_reset,
)
from accounts.services.sessions import device_words
from accounts.views.people import person_or_404
from accounts.views.shared import (
    address_of,
    confirmed,
    confirmed_now,
    devices_of,
    half_signed_in,
    person_signed_in,
    safe_next,
    signed_in_person,
    viewed_cooperative,
    without_cooperative,
    without_second_step,
)

SECRET_KEY = "second_step_secret"  # noqa: S105 - where the session keeps one until it is proven


@sensitive_post_parameters("code")
@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in_second(request: HttpRequest) -> HttpResponse:
    """After the password: a code, or a passkey."""
    half = half_signed_in(request)
    if half is None:
        return redirect("accounts:sign_in")
    person, wanted = half
    devices, now = devices_of(request), now_of(request)
    form, posted = CodeForm(request.POST or None), CredentialForm(request.POST)
    if posted.is_valid():
        credential = posted.cleaned_data["credential"]
        if agreed(posted, lambda: passkey_check(person, credential, devices=devices, now=now)):
            return person_signed_in(request, person, proven=True, wanted=wanted)
        messages.error(request, " ".join(map(str, posted.non_field_errors())))
        return redirect("accounts:sign_in_second")
    if request.method == "POST" and form.is_valid():
        code = form.cleaned_data["code"]
        if agreed(form, lambda: code_check(person, code, devices=devices, now=now)):
            return person_signed_in(request, person, proven=True, wanted=wanted)
    return render(request, "accounts/sign_in_second.html", {"form": form, "step": second_step_of(person)})


@never_cache
@login_not_required
@require_safe
def sign_in_second_challenge(request: HttpRequest) -> HttpResponse:
    """For the script of the page, when somebody takes the passkey.

    A challenge stands in no page: a page is asked for again by the device that keeps it, and then the first one counted
    no more.
    """
    half = half_signed_in(request)
    if half is None:
        raise Http404
    return JsonResponse(dict(webauthn.begin_authentication(half[0])))


@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in_passkey(request: HttpRequest) -> HttpResponse:
    """A passkey instead of name and password. GET: the challenge, for the script of the sign-in page."""
    if request.method != "POST":
        return JsonResponse(dict(webauthn.begin_authentication()))
    form = CredentialForm(request.POST)
    if not form.is_valid():
        return redirect("accounts:sign_in")
    person = tried_with_message(
        request,
        lambda: passkey_sign_in(form.cleaned_data["credential"], address=address_of(request), now=now_of(request)),
    )
    return redirect("accounts:sign_in") if person is None else person_signed_in(request, person, proven=True)


@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
@without_second_step
def confirm(request: HttpRequest) -> HttpResponse:
    person = signed_in_person(request)
    form = ConfirmForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        current, now = form.cleaned_data["current"], now_of(request)
        if agreed(form, lambda: password_confirm(person, current, now=now)):
            confirmed_now(request)
            return redirect(safe_next(request) or "accounts:second_step")
    return render(request, "accounts/confirm.html", {"form": form, "next": safe_next(request)})


@never_cache
@require_safe
@without_cooperative
@without_second_step
def second_step(request: HttpRequest) -> HttpResponse:
    person, now = signed_in_person(request), now_of(request)
    due = second_step_due(person)
    context = {
        "step": second_step_of(person),
        "needed": needs_second_step(person),
        "due": due,
        "over": due is not None and due <= now,
    }
    return render(request, "accounts/second_step.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
@without_second_step
@confirmed
def app(request: HttpRequest) -> HttpResponse:
    """The secret stays in the session until a code proves that the app has it."""
    person = signed_in_person(request)
    secret = request.session.setdefault(SECRET_KEY, generate_totp_secret())
    form = CodeForm(request.POST or None)
    codes = _added(request, form, app_add, secret=secret)
    if codes is not None:
        del request.session[SECRET_KEY]
        return _set_up(request, _("The app is set up: from now on you are asked for its code."), codes)
    words = {"secret": secret, "issuer": SITE}
    address = f"otpauth://totp/{quote(SITE)}:{quote(person.email)}?{urlencode(words)}"
    drawing = segno.make(address, micro=False, error="m").svg_inline(
        scale=5, border=4, light="white", title=_("For the app's camera")
    )
    spaced = " ".join(secret[start : start + 4] for start in range(0, len(secret), 4))
    context = {"form": form, "secret": spaced, "drawing": drawing, "address": address}
    return render(request, "accounts/second_step_app.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
@without_second_step
@confirmed
def passkey(request: HttpRequest) -> HttpResponse:
    agent = request.headers.get("User-Agent", "")
    form = PasskeyForm(request.POST or None, initial={"name": device_words(agent)})
    codes = _added(request, form, passkey_add)
    if codes is not None:
        return _set_up(request, _("The passkey is kept: you can sign in with it alone."), codes)
    return render(request, "accounts/second_step_passkey.html", {"form": form})


@never_cache
@require_safe
@without_cooperative
@without_second_step
@confirmed
def passkey_challenge(request: HttpRequest) -> HttpResponse:
    """For the script of the page, when somebody adds a passkey."""
    return JsonResponse(dict(webauthn.begin_registration(signed_in_person(request), True)))


@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
@without_second_step
@confirmed
def remove(request: HttpRequest, pk: int) -> HttpResponse:
    person = signed_in_person(request)
    step = second_step_of(person)
    shown = next((row for row in [step.app, *step.passkeys] if row is not None and row.pk == pk), None)
    if request.method == "POST":
        second_step_remove(person, pk=pk, cooperative=viewed_cooperative(request), now=now_of(request))
        messages.success(request, _("Removed: nobody signs in with it any more."))
        return redirect("accounts:second_step")
    if shown is None:
        return redirect("accounts:second_step")
    is_last = len(step.passkeys) + (step.app is not None) == 1
    return render(request, "accounts/second_step_remove.html", {"row": shown, "is_last": is_last})


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
@without_second_step
@confirmed
def codes(request: HttpRequest) -> HttpResponse:
    """New recovery codes: shown in the answer and never again."""
    person = signed_in_person(request)
    if request.method == "POST":
        cooperative, now = viewed_cooperative(request), now_of(request)
        made = tried_with_message(request, lambda: codes_make(person, cooperative=cooperative, now=now))
        return redirect("accounts:second_step") if made is None else _codes_shown(request, made)
    return render(request, "accounts/recovery_codes.html", {"codes": [], "left": second_step_of(person).codes_left})


@require_POST
def reset(request: HttpRequest, pk: int) -> HttpResponse:
    shown, viewer = person_or_404(request, pk), viewer_of_request(request)
    done = tried_with_message(
        request,
        lambda: second_step_reset(shown, cooperative=viewer.cooperative, by=viewer.person, now=now_of(request)),
    )
    if done:
        messages.success(request, _("%(person)s signs in without a second step now.") % {"person": shown.name})
    return redirect("accounts:person", pk=pk)


def _added(request: HttpRequest, form: Form, add: Callable[..., list[str]], **also: str) -> list[str] | None:
    """Keep a second step as the form says; its recovery codes, or None while there is nothing to keep."""
    if request.method != "POST" or not form.is_valid():
        return None
    given = {**form.cleaned_data, **also, "cooperative": viewed_cooperative(request), "now": now_of(request)}
    return tried(form, lambda: add(signed_in_person(request), **given))


def _set_up(request: HttpRequest, text: str, made: list[str]) -> HttpResponse:
    messages.success(request, text)
    return _codes_shown(request, made) if made else redirect("accounts:second_step")


def _codes_shown(request: HttpRequest, made: list[str]) -> HttpResponse:
    return render(request, "accounts/recovery_codes.html", {"codes": made, "left": len(made)})
