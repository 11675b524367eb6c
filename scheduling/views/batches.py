"""Queen batches: the list, the card, planning and recording each step."""

from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_act_for, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.queries.history import history_rows
from breeding.queries.stock import labels_to_offer
from scheduling.forms.batches import (
    STEP_FORMS,
    BatchAddForm,
    BatchEditForm,
    BatchReplanForm,
    CloseForm,
    FirstCo2Form,
    SecondCo2Form,
)
from scheduling.models import QueenBatch
from scheduling.queries.batches import (
    ON_CARDS,
    Backwards,
    BatchView,
    backwards_from,
    batch_view,
    batch_views,
    batches_seen_by,
    history_of_batch,
    with_facts,
    zone_of_batch,
)
from scheduling.queries.bookings import misfits_of
from scheduling.queries.people import mothers_for
from scheduling.queries.season_tables import batches_listed
from scheduling.queries.still import still_page
from scheduling.services.batch_co2 import batch_second_co2
from scheduling.services.batch_rules import OBSERVED
from scheduling.services.batches import (
    batch_add,
    batch_close,
    batch_edit,
    batch_first_co2,
    batch_observe,
    batch_reopen,
    batch_replan,
    batch_withdraw_step,
)
from scheduling.views.cards import batch_findings, batch_headline, can_be_looked_at, step_rows
from scheduling.views.common import is_everyones, no_season, season_of_request
from scheduling.views.hive_acts import hive_acts
from scheduling.views.pictures import window_gauge_svg

ROWS_PER_PAGE = 48


@require_GET
def batch_list(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    everyone = is_everyones(request)
    batches = batches_listed(viewer, season, everyone=everyone)
    page = Paginator(batches, ROWS_PER_PAGE).get_page(request.GET.get("page"))
    shown = [batch.pk for batch in page.object_list]
    views = {
        view.batch.pk: view
        for view in batch_views(batches.filter(pk__in=shown), season=season, today=today_of(request))
    }
    context = {"season": season, "views": [views[pk] for pk in shown], "page": page, "everyone": everyone}
    return render(request, "scheduling/batches.html", context)


@require_http_methods(["GET", "POST"])
def batch_new(request: HttpRequest) -> HttpResponse:
    """Two posts: the first shows every step of the plan, the second (`save`) writes it."""
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    require(viewer.is_member or viewer.is_coordinator, _("Members plan batches."))
    form = BatchAddForm(viewer, request.POST or None, initial=_wanted_initial(request))
    backwards: Backwards | None = None
    if request.method == "POST" and form.is_valid():
        wanted = form.cleaned_data["wanted_bench_on"]
        if wanted and not form.cleaned_data["grafted_on"] and "save" not in request.POST:
            backwards = backwards_from(wanted, season=season)
        else:
            batch = tried(form, lambda: batch_add(season, **form.cleaned_data, by=viewer.person, now=now_of(request)))
            if batch:
                messages.success(request, _("%(batch)s is written down.") % {"batch": batch})
                return redirect("scheduling:batch", batch.pk)
    today = today_of(request)
    labels = labels_to_offer(viewer, mothers_for(viewer))
    context = {"form": form, "season": season, "backwards": backwards, "today": today, "labels": labels}
    if backwards:
        context["late"] = backwards.late(today)
        context["still_answer"] = still_page(viewer, season, today=today, day=backwards.bench_on).answer
    return render(request, "scheduling/batch_new.html", context)


def _wanted_initial(request: HttpRequest) -> dict[str, str]:
    """A bench day and a mother may stand in the address: from the balance, from a planned cross."""
    asked = {"wanted_bench_on": request.GET.get("day"), "mother": request.GET.get("mother")}
    return {field: value for field, value in asked.items() if value}


@require_GET
def batch_card(request: HttpRequest, pk: int) -> HttpResponse:
    view = view_of(request, pk)
    may = can_act_for(viewer_of_request(request), view.batch.member)
    return render(
        request,
        "scheduling/batch.html",
        {
            "view": view,
            "batch": view.batch,
            "headline": batch_headline(view),
            "gauge": window_gauge_svg(view),
            "findings": batch_findings(view, misfits_of(view)),
            "steps": step_rows(view, may=may),
            "acts": hive_acts(view) if may else [],
            "to_look_at": [her.queen for her in view.queen_views if may and can_be_looked_at(her)],
            "history": history_rows(history_of_batch(view.batch)[:40]),
            "may": may,
            "today": view.today,
        },
    )


@require_http_methods(["GET", "POST"])
def batch_step(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Record or correct one observed step."""
    if step not in OBSERVED:
        raise Http404
    batch = own_batch(request, pk)
    observed = OBSERVED[step]
    initial = {name: getattr(batch, name) for name in (observed.date, *observed.with_it)}
    recorded = initial[observed.date] is not None
    form = STEP_FORMS[step](
        request.POST or None, initial={**_today_if_empty(request, initial, observed.date), "version": batch.version}
    )
    if request.method == "POST" and form.is_valid() and tried(form, lambda: _observe(request, batch, step, form)):
        say_saved(request, pk, observed.said)
        return redirect("scheduling:batch", pk)
    return render(
        request,
        "scheduling/batch_step.html",
        {
            "batch": batch,
            "form": form,
            "step": step,
            "said": observed.said,
            "recorded": recorded,
            "can_withdraw": recorded and step not in {"grafted", "emerged"},
        },
    )


@require_http_methods(["GET", "POST"])
def batch_co2(request: HttpRequest, pk: int) -> HttpResponse:
    """The first CO2, given at home: the bench and its reminder look for it."""
    batch, now = own_batch(request, pk), now_of(request)
    zone = zone_of_batch(batch)
    at = (batch.first_co2_at or now).astimezone(zone)
    initial = {"day": at.date(), "time": at.time().replace(second=0, microsecond=0), "version": batch.version}
    if batch.first_co2_from is not None:
        initial["started"] = batch.first_co2_from.astimezone(zone).time().replace(second=0, microsecond=0)
    form = FirstCo2Form(request.POST or None, initial=initial)
    person = viewer_of_request(request).person
    if request.method == "POST" and "withdraw" in request.POST:
        batch_first_co2(batch, ended_at=None, by=person, now=now)
        messages.success(request, _("Taken back: the first CO2 of %(batch)s.") % {"batch": batch})
        return redirect("scheduling:batch", pk)
    if request.method == "POST" and form.is_valid():
        started_at, ended_at = form.moments(str(zone))
        version = form.cleaned_data["version"]
        if tried(
            form,
            lambda: batch_first_co2(
                batch, started_at=started_at, ended_at=ended_at, version=version, by=person, now=now
            ),
        ):
            say_saved(request, pk, _("the first CO2"))
            return redirect("scheduling:batch", pk)
    return render(request, "scheduling/batch_co2.html", {"batch": batch, "form": form, "which": "first"})


@require_http_methods(["GET", "POST"])
def batch_co2_again(request: HttpRequest, pk: int) -> HttpResponse:
    """The second CO2, given at home after the bench to every inseminated queen."""
    batch, now = own_batch(request, pk), now_of(request)
    zone = zone_of_batch(batch)
    at = now.astimezone(zone)
    form = SecondCo2Form(request.POST or None, initial={"day": at.date(), "version": batch.version})
    if request.method == "POST" and form.is_valid():
        started_at, ended_at = form.moments(str(zone))
        person = viewer_of_request(request).person
        if tried(
            form,
            lambda: batch_second_co2(batch, started_at=started_at or ended_at, ended_at=ended_at, by=person, now=now),
        ):
            say_saved(request, pk, _("the second CO2"))
            return redirect("scheduling:batch", pk)
    return render(request, "scheduling/batch_co2.html", {"batch": batch, "form": form, "which": "second"})


def _today_if_empty(request: HttpRequest, initial: dict[str, Any], date: str) -> dict[str, Any]:
    return initial if initial[date] is not None else {**initial, date: today_of(request)}


def _observe(request: HttpRequest, batch: QueenBatch, step: str, form: forms.Form) -> QueenBatch:
    values = {name: value for name, value in form.cleaned_data.items() if name != "version"}
    return batch_observe(
        batch,
        step=step,
        values=values,
        version=form.cleaned_data["version"],
        by=viewer_of_request(request).person,
        now=now_of(request),
    )


def say_saved(request: HttpRequest, pk: int, said: Any) -> None:
    """Saved, and at once whether a booked place still fits."""
    view = view_of(request, pk)
    misfits = misfits_of(view)
    messages.success(request, _("Written down: %(said)s of %(batch)s.") % {"said": said, "batch": view.batch})
    for misfit in misfits:
        messages.warning(request, f"{misfit.what} {misfit.help}")


@require_POST
def batch_step_withdraw(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    if step not in OBSERVED:
        raise Http404
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    done = tried_with_message(
        request, lambda: batch_withdraw_step(batch, step=step, by=viewer.person, now=now_of(request))
    )
    if done:
        messages.success(request, _("Taken back. What it said stays in the history."))
    return redirect("scheduling:batch", pk)


@require_http_methods(["GET", "POST"])
def batch_change(request: HttpRequest, pk: int) -> HttpResponse:
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    initial = {"name": batch.name, "apiary": batch.apiary_id, "note": batch.note, "version": batch.version}
    form = BatchEditForm(batch, request.POST or None, initial=initial)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: batch_edit(batch, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        return redirect("scheduling:batch", pk)
    return form_page(request, batch, form, _("Change %(batch)s") % {"batch": batch})


@require_http_methods(["GET", "POST"])
def batch_plan_anew(request: HttpRequest, pk: int) -> HttpResponse:
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    initial = {"wanted_bench_on": batch.wanted_bench_on, "version": batch.version}
    form = BatchReplanForm(request.POST or None, initial=initial)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: batch_replan(batch, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        return redirect("scheduling:batch", pk)
    return form_page(request, batch, form, _("Another bench day for %(batch)s") % {"batch": batch})


@require_http_methods(["GET", "POST"])
def batch_end(request: HttpRequest, pk: int) -> HttpResponse:
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    form = CloseForm(request.POST or None, initial={"version": batch.version})
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: batch_close(batch, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        undo = reverse("scheduling:batch_reopen", args=[pk])
        messages.success(request, _("%(batch)s is closed.") % {"batch": batch}, extra_tags=f"undo:{undo}")
        return redirect("scheduling:batch", pk)
    return form_page(request, batch, form, _("Close %(batch)s?") % {"batch": batch})


@require_POST
def batch_open_again(request: HttpRequest, pk: int) -> HttpResponse:
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    if tried_with_message(request, lambda: batch_reopen(batch, by=viewer.person, now=now_of(request))):
        messages.success(request, _("%(batch)s is open again.") % {"batch": batch})
    return redirect("scheduling:batch", pk)


def view_of(request: HttpRequest, pk: int) -> BatchView:
    batches = batches_seen_by(viewer_of_request(request)).select_related("season__cooperative", *ON_CARDS)
    batch = get_object_or_404(batches, pk=pk)
    return batch_view(with_facts([batch])[0], today=now_of(request).astimezone(zone_of_batch(batch)).date())


def own_batch(request: HttpRequest, pk: int) -> QueenBatch:
    """A batch of the cooperative, and 403 for those who may only look."""
    viewer = viewer_of_request(request)
    batches = batches_seen_by(viewer).select_related("season__cooperative", *ON_CARDS)
    batch = get_object_or_404(batches, pk=pk)
    require(can_act_for(viewer, batch.member), whose(batch, batch.member))
    return batch


def whose(thing: object, member: object) -> str:
    return _("%(thing)s belongs to %(member)s.") % {"thing": thing, "member": member}


def form_page(request: HttpRequest, batch: QueenBatch, form: forms.Form, title: str) -> HttpResponse:
    return render(request, "scheduling/batch_form.html", {"batch": batch, "form": form, "title": title})
