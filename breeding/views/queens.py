"""The queen card, registering and correcting queens, their matings."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_act_for, can_merge, require
from accounts.http import now_of, today_of, tried_with_message, viewer_of_request
from breeding.forms.queens import (
    GoneForm,
    MatingForm,
    QueenAddForm,
    QueenForm,
    colony_initial,
    members_for,
    queen_initial,
)
from breeding.models import Mating
from breeding.queries.duplicates import merged_into
from breeding.queries.history import history_of_queen
from breeding.queries.ranking import latest_run, values_of_queen
from breeding.queries.stock import (
    daughters_of,
    headings_of_queen,
    labels_to_offer,
    own_colonies_without_queen,
    shares_of,
    use_as_source,
)
from breeding.services.introductions import queen_introduce
from breeding.services.matings import mating_correct, mating_record
from breeding.services.queens import queen_back, queen_correct, queen_gone
from breeding.views.shared import queen_or_404, tried_on


@require_safe
def queen(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    if (now_at := merged_into(viewer, pk)) is not None:
        return redirect("breeding:queen", pk=now_at)
    shown = queen_or_404(request, pk)
    run = latest_run(viewer.cooperative)
    headings = list(headings_of_queen(shown))
    merit, values = values_of_queen(run, shown.pk)
    mating = Mating.objects.filter(queen=shown).select_related("shared_batch", "station_mother").first()
    return render(
        request,
        "breeding/queen.html",
        {
            "queen": shown,
            "mating": mating,
            "shares": shares_of(mating) if mating else [],
            "run": run,
            "merit": merit,
            "values": values,
            "heading": next((heading for heading in headings if heading.until is None), None),
            "headings": headings,
            "daughters": list(daughters_of(shown)),
            "used": use_as_source(shown),
            "may_change": can_act_for(viewer, shown.owner),
            "may_merge": can_merge(viewer, shown.owner),
            "history": history_of_queen(shown),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def queen_new(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(members_for(viewer).exists(), _("Queens are registered by members, for their own apiary business."))
    asked = request.GET.get("colony", "")
    colony = own_colonies_without_queen(viewer).filter(pk=asked).first() if asked.isdigit() else None
    form = QueenAddForm(request.POST or None, viewer=viewer, initial=colony_initial(colony, today_of(request)))
    mating = MatingForm(request.POST or None, viewer=viewer, optional=True)
    if request.method == "POST" and form.is_valid() & mating.is_valid():
        added = tried_on(
            lambda: queen_introduce(
                form.cleaned_data["owner"],
                queen=form.facts(),
                mating=mating.facts() if mating.is_given else None,
                colony=form.cleaned_data["colony"],
                since=form.cleaned_data["since"],
                by=viewer.person,
                now=now_of(request),
            ),
            form,
            mating,
        )
        if added is not None:
            messages.success(request, _("%(queen)s registered.") % {"queen": added})
            return redirect("breeding:queen", pk=added.pk)
    return render(
        request, "breeding/queen_new.html", {"form": form, "mating": mating, "labels": labels_to_offer(viewer)}
    )


@require_http_methods(["GET", "HEAD", "POST"])
def queen_edit(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = queen_or_404(request, pk, to_change=True)
    form = QueenForm(request.POST or None, viewer=viewer, initial=queen_initial(shown))
    if request.method == "POST" and form.is_valid():
        done = tried_on(lambda: queen_correct(shown, by=viewer.person, now=now_of(request), **form.cleaned_data), form)
        if done is not None:
            messages.success(request, _("%(queen)s corrected; the history keeps what stood before.") % {"queen": done})
            return redirect("breeding:queen", pk=pk)
    return render(
        request, "breeding/queen_edit.html", {"form": form, "queen": shown, "labels": labels_to_offer(viewer)}
    )


@require_http_methods(["GET", "HEAD", "POST"])
def mating_edit(request: HttpRequest, pk: int) -> HttpResponse:
    """Record her mating, or correct it."""
    viewer = viewer_of_request(request)
    shown = queen_or_404(request, pk, to_change=True)
    recorded = Mating.objects.filter(queen=shown).select_related("station_mother").first()
    form = MatingForm(request.POST or None, viewer=viewer, mating=recorded)
    if request.method == "POST" and form.is_valid():
        by, now = viewer.person, now_of(request)
        done = tried_on(
            lambda: (
                mating_correct(recorded, by=by, now=now, **form.facts())
                if recorded is not None
                else mating_record(shown, by=by, now=now, **form.facts())
            ),
            form,
        )
        if done is not None:
            messages.success(request, _("Mating of %(queen)s recorded.") % {"queen": shown})
            return redirect("breeding:queen", pk=pk)
    return render(
        request,
        "breeding/mating_edit.html",
        {"form": form, "queen": shown, "recorded": recorded, "labels": labels_to_offer(viewer)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def gone(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = queen_or_404(request, pk, to_change=True)
    form = GoneForm(request.POST or None, initial={"gone_on": today_of(request)})
    if request.method == "POST" and form.is_valid():
        done = tried_on(lambda: queen_gone(shown, by=viewer.person, now=now_of(request), **form.cleaned_data), form)
        if done is not None:
            undo = reverse("breeding:queen_back", args=[pk])
            messages.success(request, _("%(queen)s is recorded as gone.") % {"queen": done}, extra_tags=f"undo:{undo}")
            return redirect("breeding:queen", pk=pk)
    return render(request, "breeding/queen_gone.html", {"form": form, "queen": shown})


@require_POST
def back(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = queen_or_404(request, pk, to_change=True)
    if tried_with_message(request, lambda: queen_back(shown, by=viewer.person, now=now_of(request))) is not None:
        messages.success(request, _("%(queen)s lives. Give her colony back on its card.") % {"queen": shown})
    return redirect("breeding:queen", pk=pk)
