"""Oneself: name, telephone, time zone, language, address for signing in."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import translation
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from accounts.forms.people import EmailForm, SettingsForm
from accounts.http import now_of, tried, viewer_of_request
from accounts.languages import speaking_to
from accounts.queries.people import members_seen_by
from accounts.services.people import person_change, person_email_change


@require_http_methods(["GET", "HEAD", "POST"])
def settings_page(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    person = viewer.person
    initial = {field: getattr(person, field) for field in ("name", "user_name", "phone", "time_zone")}
    form = SettingsForm(
        request.POST or None, initial={**initial, "language": person.language or translation.get_language()}
    )
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: person_change(person, **form.cleaned_data, cooperative=viewer.cooperative, now=now_of(request)),
        )
        if done is not None:
            with speaking_to(done):
                messages.success(request, _("Kept."))
            return redirect("accounts:settings")
    members = members_seen_by(viewer).filter(pk__in=viewer.member_ids)
    return render(request, "accounts/settings.html", {"form": form, "person": person, "members": members})


@sensitive_post_parameters()
@require_http_methods(["GET", "HEAD", "POST"])
def email(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    form = EmailForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: person_email_change(
                viewer.person, **form.cleaned_data, cooperative=viewer.cooperative, now=now_of(request)
            ),
        )
        if done is not None:
            messages.success(request, _("From now on you sign in with %(email)s.") % {"email": done.email})
            return redirect("accounts:settings")
    return render(request, "accounts/email.html", {"form": form, "person": viewer.person})
