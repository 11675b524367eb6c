"""The first run: nobody is here yet, and whoever comes first founds the cooperative."""

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from accounts.access import can_found
from accounts.http import now_of, tried, tried_with_message
from accounts.models import Person
from accounts.views.shared import person_signed_in
from scheduling.forms.founding import FoundingForm
from scheduling.services.founding import cooperative_found_with_season

PARTS = [
    (gettext_lazy("The cooperative"), ["name", "time_zone", "language"]),
    (gettext_lazy("You"), ["person_name", "email", "password"]),
    (gettext_lazy("Your apiary business"), ["member_name"]),
    (gettext_lazy("Your first apiary"), ["apiary_name", "apiary_place"]),
]


@sensitive_post_parameters("password")
@never_cache
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def founding(request: HttpRequest) -> HttpResponse:
    founder = _founder_or_404(request)
    form = FoundingForm(request.POST or None, founder=founder)
    if request.method == "POST" and form.is_valid():
        founded = tried(form, lambda: cooperative_found_with_season(**form.values(), now=now_of(request)))
        if founded is not None:
            messages.success(
                request, _("%(name)s is made, with you as its coordinator.") % {"name": founded.cooperative.name}
            )
            return person_signed_in(request, founded.person)
        if not can_found(founder):  # somebody was quicker: this page is gone
            messages.error(request, _("Somebody has just made the cooperative. Ask them to add you, then sign in."))
            return redirect("accounts:sign_in")
    parts = [(title, [form[name] for name in names if name in form.fields]) for title, names in PARTS]
    context = {"form": form, "parts": [part for part in parts if part[1]], "practice": _offers_practice(founder)}
    return render(request, "scheduling/founding.html", context)


@login_not_required
@require_POST
def practice(request: HttpRequest) -> HttpResponse:
    """Load the practice season instead; its sign-ins then stand on the sign-in page."""
    if not _offers_practice(_founder_or_404(request)):
        raise Http404
    from scheduling.services.practice.make import practice_make  # loads the solver and the evaluation, once in a life

    if tried_with_message(request, lambda: practice_make(now=now_of(request))) is None:
        return redirect("scheduling:founding")
    messages.success(request, _("The practice season is loaded. Sign in as one of its people."))
    return redirect("accounts:sign_in")


def _offers_practice(founder: Person | None) -> bool:
    """On one's own machine, while nobody is there: everybody knows the password of the made-up people."""
    return founder is None and not settings.SERVED


def _founder_or_404(request: HttpRequest) -> Person | None:
    """Who founds: somebody signed in, or None for whoever comes first."""
    founder = request.user if isinstance(request.user, Person) else None
    if not can_found(founder):
        raise Http404
    return founder
