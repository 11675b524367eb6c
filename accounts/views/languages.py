"""The language of the pages for who is not signed in, and of the cooperative's messages."""

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.access import can_manage_people, require
from accounts.forms.people import CooperativeLanguageForm
from accounts.http import now_of, tried, viewer_of_request
from accounts.services.languages import cooperative_language_set
from accounts.views.shared import safe_next


@require_POST
@login_not_required
def choose(request: HttpRequest) -> HttpResponse:
    """Kept on this device. An unknown language changes nothing."""
    response = redirect(safe_next(request) or "today")
    language = request.POST.get("language", "")
    if language in dict(settings.LANGUAGES):
        response.set_cookie(
            settings.LANGUAGE_COOKIE_NAME,
            language,
            max_age=settings.LANGUAGE_COOKIE_AGE,
            secure=settings.LANGUAGE_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
    return response


@require_http_methods(["GET", "HEAD", "POST"])
def cooperative(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_manage_people(viewer), _("The coordinator sets the language of the cooperative."))
    form = CooperativeLanguageForm(request.POST or None, initial={"language": viewer.cooperative.language})
    if request.method == "POST" and form.is_valid():
        language = form.cleaned_data["language"]
        done = tried(
            form,
            lambda: cooperative_language_set(
                viewer.cooperative, language=language, by=viewer.person, now=now_of(request)
            ),
        )
        if done is not None:
            messages.success(request, _("Kept."))
            return redirect("accounts:settings")
    return render(request, "accounts/cooperative_language.html", {"form": form, "cooperative": viewer.cooperative})
