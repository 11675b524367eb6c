"""One queen's card for somebody without a sign-in, a buyer say: links are made and ended by her owner."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.http import now_of, tried, viewer_of_request
from accounts.queries.guest_links import guest_links_of
from accounts.services.guest_links import guest_link_end, guest_link_make, guest_link_of
from accounts.services.mails import site_address
from breeding.forms.guests import GuestLinkForm
from breeding.models import Mating, Queen
from breeding.queries.ranking import latest_run, values_of_queen
from breeding.queries.stock import shares_of
from breeding.views.shared import queen_or_404


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def guests(request: HttpRequest, pk: int) -> HttpResponse:
    """The answer to making one is the only page that ever shows the link."""
    viewer, now = viewer_of_request(request), now_of(request)
    queen = queen_or_404(request, pk, to_change=True)
    form, address = GuestLinkForm(request.POST or None), ""
    if request.method == "POST" and form.is_valid():
        given, here, by = form.cleaned_data, viewer.cooperative, viewer.person
        made = tried(form, lambda: guest_link_make(queen, **given, cooperative=here, by=by, now=now))
        if made is not None:
            address, form = site_address("breeding:guest_card", made[1]), GuestLinkForm()
    rows = [(row, row.expires_at <= now) for row in guest_links_of(queen)]
    context = {"queen": queen, "form": form, "address": address, "rows": rows}
    return render(request, "breeding/queen_guests.html", context, status=422 if form.errors else 200)


@require_POST
def end(request: HttpRequest, pk: int, link_pk: int) -> HttpResponse:
    queen = queen_or_404(request, pk, to_change=True)
    link = get_object_or_404(guest_links_of(queen), pk=link_pk)
    guest_link_end(link, thing=queen, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("The link for %(name)s leads nowhere any more.") % {"name": link.name})
    return redirect("breeding:queen_guests", pk=pk)


@never_cache
@login_not_required
@require_safe
def card(request: HttpRequest, token: str) -> HttpResponse:
    """What she is, descends from and is worth; nothing of persons and places, no notes."""
    link = guest_link_of(token, subject_type=Queen._meta.label_lower, now=now_of(request))
    queens = Queen.objects.select_related("line", "mother", "cooperative")
    queen = queens.filter(pk=link.subject_id, cooperative=link.cooperative).first() if link else None
    if queen is None:
        answer = render(request, "breeding/guest_card_over.html", status=410)
    else:
        run = latest_run(queen.cooperative)
        merit, values = values_of_queen(run, queen.pk)
        mating = Mating.objects.filter(queen=queen).select_related("station_mother").first()
        context: dict[str, Any] = {"queen": queen, "mating": mating, "run": run, "merit": merit, "values": values}
        context["shares"] = shares_of(mating) if mating else []
        answer = render(request, "breeding/guest_card.html", context)
    answer["X-Robots-Tag"] = "noindex, nofollow"
    return answer
