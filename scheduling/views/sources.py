"""Drone sources and their cohorts: the list, the cards, offering, observing, counting."""

import json
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_act_for, can_plan, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.queries.history import history_rows
from breeding.queries.stock import labels_to_offer
from scheduling.forms.sources import (
    CohortAddForm,
    CohortStepForm,
    CountForm,
    OptionalReasonForm,
    ReasonForm,
    SourceAddForm,
    SourceEditForm,
)
from scheduling.models import CountKind, DroneCohort, DroneSource
from scheduling.planning.timing import Note
from scheduling.queries.calls import calls_of_source
from scheduling.queries.drones import cohort_forecast
from scheduling.queries.people import drone_queens_for
from scheduling.queries.sources import (
    CohortView,
    bookings_relying_on,
    cohorts_seen_by,
    history_of_cohort,
    history_of_source,
    notes_of_source,
    source_views,
    sources_seen_by,
    sources_with_facts,
    zone_of_source,
)
from scheduling.queries.sources_at_hand import cohort_view, source_view
from scheduling.queries.words import words_of
from scheduling.services.cohorts import OBSERVED, cohort_add, cohort_observe, count_record
from scheduling.services.sources import source_edit, source_hold, source_hold_lift, source_offer, source_withdraw
from scheduling.views.cards import (
    cohort_findings,
    cohort_headline,
    cohort_step_rows,
    observed_rows,
    source_findings,
    source_headline,
)
from scheduling.views.common import no_season, season_of_request
from scheduling.views.pictures import cohort_gauge_svg
from scheduling.views.yields import yield_words

ONLY_COORDINATOR = gettext_noop("The coordinator holds and releases sources.")


@require_GET
def source_list(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    views = source_views(
        sources_seen_by(viewer).filter(season=season).order_by("withdrawn_at", "letter"),
        season=season,
        today=today_of(request),
    )
    return render(request, "scheduling/sources.html", {"season": season, "views": views})


@require_http_methods(["GET", "POST"])
def source_new(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    require(viewer.is_member or viewer.is_coordinator, _("Members offer drone sources."))
    form = SourceAddForm(viewer, request.POST or None)
    if request.method == "POST" and form.is_valid():
        member = form.cleaned_data["drone_queen"].owner
        source = tried(
            form,
            lambda: source_offer(season, member=member, **form.cleaned_data, by=viewer.person, now=now_of(request)),
        )
        if source:
            text = _("%(source)s is offered, with the letter %(letter)s. Say when its comb goes in.")
            messages.success(request, text % {"source": source, "letter": source.letter})
            return redirect("scheduling:cohort_add", source.pk)
    labels = labels_to_offer(viewer, drone_queens_for(viewer))
    return render(request, "scheduling/source_new.html", {"form": form, "season": season, "labels": labels})


@require_GET
def source_card(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    source = get_object_or_404(sources_with_facts(sources_seen_by(viewer)), pk=pk)
    view = source_view(source, today=now_of(request).astimezone(zone_of_source(source)).date())
    may = can_act_for(viewer, source.member)
    return render(
        request,
        "scheduling/source.html",
        {
            "view": view,
            "source": source,
            "headline": source_headline(view),
            "findings": source_findings(notes_of_source(view)),
            "gives": yield_words(view),
            "forecasts": [(cohort, cohort_forecast(cohort)) for cohort in view.cohorts],
            "calls": calls_of_source(source, today=view.today) if may or viewer.is_coordinator else [],
            "relying": bookings_relying_on(source) if viewer.is_coordinator else [],
            "history": history_rows(history_of_source(source)[:40]),
            "may": may,
            "may_hold": can_plan(viewer),
            "today": view.today,
            "zone": source.season.cooperative.time_zone,
        },
    )


@require_http_methods(["GET", "POST"])
def source_change(request: HttpRequest, pk: int) -> HttpResponse:
    source, viewer = _own(request, pk), viewer_of_request(request)
    names = ["name", "apiary", "health_certificate", "health_valid_until", "note"]
    form = SourceEditForm(source, request.POST or None, initial={name: getattr(source, name) for name in names})
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: source_edit(source, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        return redirect("scheduling:source", pk)
    return _form_page(request, source, form, _("Change %(source)s") % {"source": source})


@require_http_methods(["GET", "POST"])
def source_put_on_hold(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    source = get_object_or_404(sources_seen_by(viewer).select_related("season__cooperative"), pk=pk)
    require(can_plan(viewer), _(ONLY_COORDINATOR))
    form = ReasonForm(request.POST or None, initial={"reason": source.hold_reason})
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: source_hold(source, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        undo = reverse("scheduling:source_hold_lift", args=[pk])
        messages.success(request, _("%(source)s is on hold.") % {"source": source}, extra_tags=f"undo:{undo}")
        return redirect("scheduling:source", pk)
    return _form_page(request, source, form, _("Why is %(source)s held?") % {"source": source})


@require_POST
def source_release(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    source = get_object_or_404(sources_seen_by(viewer).select_related("season__cooperative"), pk=pk)
    require(can_plan(viewer), _(ONLY_COORDINATOR))
    if tried_with_message(request, lambda: source_hold_lift(source, by=viewer.person, now=now_of(request))):
        messages.success(request, _("%(source)s may be used again.") % {"source": source})
    return redirect("scheduling:source", pk)


@require_http_methods(["GET", "POST"])
def source_take_out(request: HttpRequest, pk: int) -> HttpResponse:
    source, viewer = _own(request, pk), viewer_of_request(request)
    form = OptionalReasonForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: source_withdraw(source, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        messages.success(request, _("%(source)s is withdrawn for this season.") % {"source": source})
        return redirect("scheduling:source", pk)
    return _form_page(request, source, form, _("Withdraw %(source)s?") % {"source": source})


@require_http_methods(["GET", "POST"])
def cohort_new(request: HttpRequest, pk: int) -> HttpResponse:
    source, viewer = _own(request, pk), viewer_of_request(request)
    form = CohortAddForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        cohort = tried(form, lambda: cohort_add(source, **form.cleaned_data, by=viewer.person, now=now_of(request)))
        if cohort:
            messages.success(request, _("%(cohort)s is written down.") % {"cohort": cohort})
            return redirect("scheduling:cohort", cohort.pk)
    return _form_page(request, source, form, _("Another comb of %(source)s") % {"source": source})


@require_GET
def cohort_card(request: HttpRequest, pk: int) -> HttpResponse:
    viewer, view = viewer_of_request(request), _view_now(request, pk)
    cohort = view.cohort
    may = can_act_for(viewer, cohort.source.member)
    return render(
        request,
        "scheduling/cohort.html",
        {
            "view": view,
            "cohort": cohort,
            "source": cohort.source,
            "headline": cohort_headline(view),
            "findings": cohort_findings(view, _notes(view)),
            "forecast": cohort_forecast(view),
            "steps": cohort_step_rows(view, may=may),
            "gauge": cohort_gauge_svg(view),
            "observed": observed_rows(view),
            "counts": cohort.counts.select_related("counted_by", "replaced_by").order_by("-counted_on", "-pk"),
            "history": history_rows(history_of_cohort(cohort)[:40]),
            "may": may,
            "today": view.today,
        },
    )


@require_http_methods(["GET", "POST"])
def cohort_step(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    if step not in OBSERVED:
        raise Http404
    cohort, viewer = _own_cohort(request, pk), viewer_of_request(request)
    initial = {"day": getattr(cohort, step) or today_of(request), "version": cohort.version}
    form = CohortStepForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        saved = _tried_on_day(
            form, lambda: cohort_observe(cohort, step=step, **form.cleaned_data, by=viewer.person, now=now_of(request))
        )
        if saved:
            messages.success(
                request, _("Written down: %(said)s of %(cohort)s.") % {"said": OBSERVED[step], "cohort": cohort}
            )
            for note in _notes(_view_now(request, pk)):
                messages.warning(request, f"{words_of(note.text)} {words_of(note.help)}")
            return redirect("scheduling:cohort", pk)
    return render(
        request,
        "scheduling/cohort_step.html",
        {
            "cohort": cohort,
            "form": form,
            "step": step,
            "said": OBSERVED[step],
            "recorded": getattr(cohort, step) is not None,
        },
    )


@require_POST
def cohort_step_withdraw(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    if step not in OBSERVED:
        raise Http404
    cohort, viewer = _own_cohort(request, pk), viewer_of_request(request)
    done = tried_with_message(
        request, lambda: cohort_observe(cohort, step=step, day=None, by=viewer.person, now=now_of(request))
    )
    if done:
        messages.success(request, _("Taken back. What it said stays in the history."))
    return redirect("scheduling:cohort", pk)


@require_http_methods(["GET", "POST"])
def cohort_count(request: HttpRequest, pk: int) -> HttpResponse:
    cohort, viewer = _own_cohort(request, pk), viewer_of_request(request)
    form = CountForm(request.POST or None, initial={"kind": CountKind.CAPPED, "counted_on": today_of(request)})
    if request.method == "POST" and form.is_valid():
        count = tried(form, lambda: count_record(cohort, **form.cleaned_data, by=viewer.person, now=now_of(request)))
        if count:
            messages.success(
                request, _("%(number)d written down for %(cohort)s.") % {"number": count.number, "cohort": cohort}
            )
            return redirect("scheduling:cohort", pk)
    title = _("How many drones has %(cohort)s?") % {"cohort": cohort}
    return render(
        request,
        "scheduling/cohort_form.html",
        {"cohort": cohort, "form": form, "title": title, "facts": json.dumps({"cohort": cohort.pk})},
    )


def _tried_on_day(form: CohortStepForm, service: Any) -> Any:
    """The refusal names a date of the cohort; the form has one field for whichever date it is."""
    saved = tried(form, service)
    if saved is None and form.non_field_errors():
        form.add_error("day", form.non_field_errors()[0])
        del form.errors["__all__"]
    return saved


def _form_page(request: HttpRequest, source: DroneSource, form: Any, title: str) -> HttpResponse:
    return render(request, "scheduling/source_form.html", {"source": source, "form": form, "title": title})


def _own(request: HttpRequest, pk: int) -> DroneSource:
    viewer = viewer_of_request(request)
    sources = sources_seen_by(viewer).select_related("season__cooperative", "member", "apiary", "drone_queen")
    source = get_object_or_404(sources, pk=pk)
    require(can_act_for(viewer, source.member), _whose(source, source.member))
    return source


def _cohort(request: HttpRequest, pk: int) -> DroneCohort:
    cohorts = cohorts_seen_by(viewer_of_request(request)).select_related(
        "source__season__cooperative", "source__member", "source__apiary", "source__drone_queen"
    )
    return get_object_or_404(cohorts.prefetch_related("counts"), pk=pk)


def _view_now(request: HttpRequest, pk: int) -> CohortView:
    cohort = _cohort(request, pk)
    return cohort_view(cohort, today=now_of(request).astimezone(zone_of_source(cohort.source)).date())


def _notes(view: CohortView) -> tuple[Note, ...]:
    """What no longer fits of the days that the drones of its source are called to."""
    return notes_of_source(source_view(view.source, today=view.today, settings=view.settings))


def _own_cohort(request: HttpRequest, pk: int) -> DroneCohort:
    cohort = _cohort(request, pk)
    require(can_act_for(viewer_of_request(request), cohort.source.member), _whose(cohort, cohort.source.member))
    return cohort


def _whose(thing: object, member: object) -> str:
    return _("%(thing)s belongs to %(member)s.") % {"thing": thing, "member": member}
