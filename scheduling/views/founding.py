"""The first run: nobody is here yet, and whoever comes first founds the cooperative."""

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.management import call_command, get_commands
from django.core.management.base import CommandError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, tried
from accounts.models import Person
from accounts.views.shared import person_signed_in
from scheduling.forms.founding import FoundingForm
from scheduling.services.founding import cooperative_found_with_season

PARTS = [
    (gettext_lazy("The cooperative"), ["name", "time_zone"]),
    (gettext_lazy("You"), ["person_name", "email", "password"]),
    (gettext_lazy("Your apiary business"), ["member_name"]),
    (gettext_lazy("Your first apiary"), ["apiary_name", "apiary_place"]),
]


@sensitive_post_parameters("password")
@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def founding(request: HttpRequest) -> HttpResponse:
    _refuse_when_people_are_here()
    form = FoundingForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        founded = tried(form, lambda: cooperative_found_with_season(**form.cleaned_data, now=now_of(request)))
        if founded is not None:
            messages.success(
                request, _("%(name)s is made, with you as its coordinator.") % {"name": founded.cooperative.name}
            )
            return person_signed_in(request, founded.person)
        if Person.objects.exists():  # somebody was quicker: this page is gone
            messages.error(request, _("Somebody has just made the cooperative. Ask them to add you, then sign in."))
            return redirect("accounts:sign_in")
    parts = [(title, [form[name] for name in names]) for title, names in PARTS]
    return render(request, "scheduling/founding.html", {"form": form, "parts": parts, "practice": practice_offered()})


@login_not_required
@require_POST
def practice(request: HttpRequest) -> HttpResponse:
    """Load the practice season instead; its sign-ins then stand on the sign-in page."""
    _refuse_when_people_are_here()
    if not practice_offered():
        raise Http404
    try:
        call_command("practice")
    except CommandError as error:
        messages.error(request, str(error))
        return redirect("scheduling:founding")
    messages.success(request, _("The practice season is loaded. Sign in as one of its people."))
    return redirect("accounts:sign_in")


def practice_offered() -> bool:
    """On one's own machine: everybody knows the password of the made-up people."""
    return not settings.SERVED and "practice" in get_commands()


def _refuse_when_people_are_here() -> None:
    if Person.objects.exists():
        raise Http404
