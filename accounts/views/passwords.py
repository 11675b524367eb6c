"""One's own password: changed, or set anew by a link that works once."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import INTERNAL_RESET_SESSION_TOKEN, PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from accounts.access import can_found
from accounts.forms.session import NewPasswordForm, PasswordChangeForm, PasswordLinkForm
from accounts.http import now_of, tried
from accounts.services.passwords import password_change, password_link_ask, password_set
from accounts.views.shared import (
    address_of,
    person_signed_in,
    session_kept,
    signed_in_person,
    viewed_cooperative,
    without_cooperative,
)


@sensitive_post_parameters()
@require_http_methods(["GET", "HEAD", "POST"])
@without_cooperative
def change(request: HttpRequest) -> HttpResponse:
    person = signed_in_person(request)
    form = PasswordChangeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        cooperative, now = viewed_cooperative(request), now_of(request)
        done = tried(form, lambda: password_change(person, **form.cleaned_data, cooperative=cooperative, now=now))
        if done is not None:
            update_session_auth_hash(request, done)
            session_kept(request, done)
            messages.success(request, _("Your password is changed. Other devices have to sign in anew."))
            return redirect("accounts:settings" if cooperative else "accounts:no_cooperative")
    return render(request, "accounts/password.html", {"form": form})


@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def link_ask(request: HttpRequest) -> HttpResponse:
    """Always the same answer: whether somebody goes by this address is nobody's business."""
    if can_found(None):
        return redirect("scheduling:founding")
    form = PasswordLinkForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        password_link_ask(form.cleaned_data["email"], now=now_of(request), address=address_of(request))
        return redirect("accounts:password_link_sent")
    return render(request, "accounts/password_link.html", {"form": form, "mail_is_kept": _mail_is_kept()})


@login_not_required
@require_safe
def link_sent(request: HttpRequest) -> HttpResponse:
    return render(request, "accounts/password_link_sent.html", {"mail_is_kept": _mail_is_kept()})


class NewPassword(PasswordResetConfirmView):
    """Behind the link. The token is taken out of the address before anything is shown."""

    template_name = "accounts/password_new.html"
    form_class = NewPasswordForm  # type: ignore[assignment]

    def form_valid(self, form: Any) -> HttpResponse:
        person = tried(form, lambda: password_set(form.user, **form.cleaned_data, now=now_of(self.request)))
        if person is None:
            return self.form_invalid(form)
        del self.request.session[INTERNAL_RESET_SESSION_TOKEN]
        messages.success(self.request, _("Your password is set, and you are signed in."))
        return person_signed_in(self.request, person)


def _mail_is_kept() -> bool:
    return settings.EMAIL_BACKEND == "accounts.mail.KeptMailBackend"
