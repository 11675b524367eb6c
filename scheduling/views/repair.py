"""What has changed since the plan was published, and what to do about it with few moves."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from accounts.access import can_plan, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.refusals import Refusal
from scheduling.forms.plan import RepairChoiceForm, RepairForm
from scheduling.models import Plan
from scheduling.planning.problem import Problem
from scheduling.queries.plan_rows import first_day_of
from scheduling.queries.plans import IN_FORCE, SKETCHES, plan_open_run, plans_seen_by
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import (
    changed_facts,
    days_to_call_off,
    repair_choices,
    sessions_to_close,
    sources_to_lose,
)
from scheduling.services.plan_ask import repair_ask
from scheduling.services.plan_repair import repair_choose

COORDINATOR_ONLY = gettext_lazy("Repairing a plan is the coordinator's work.")


def _plan(request: HttpRequest, pk: int) -> Plan:
    viewer = viewer_of_request(request)
    plans = plans_seen_by(viewer).select_related("season__cooperative", "job", "based_on")
    plan: Plan = get_object_or_404(plans, pk=pk)
    require(can_plan(viewer), COORDINATOR_ONLY)
    return plan


def _problem(request: HttpRequest, plan: Plan) -> Problem | None:
    """The facts of now, or None, with the reason said."""
    try:
        return problem_of(plan.season, now=now_of(request))
    except Refusal as refusal:
        messages.error(request, refusal.text)
        return None


@require_http_methods(["GET", "POST"])
def changed(request: HttpRequest, pk: int) -> HttpResponse:
    """What is not as it was, what else falls away; then the repair is asked for."""
    plan = _plan(request, pk)
    problem = _problem(request, plan)
    if problem is None or plan.state not in IN_FORCE:
        return redirect("scheduling:plan", pk=plan.pk)
    form = RepairForm(
        request.POST or None,
        sessions=sessions_to_close(plan, first=first_day_of(problem)),
        sources=sources_to_lose(plan),
    )
    if request.method == "POST" and form.is_valid():
        made = tried(
            form,
            lambda: repair_ask(
                plan.season,
                sessions=form.cleaned_data["sessions"],
                sources=form.cleaned_data["sources"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if made:
            return redirect("scheduling:plan_run", pk=made.pk)
    return render(
        request,
        "scheduling/plan_changed.html",
        {"plan": plan, "changes": changed_facts(plan, problem), "form": form, "running": plan_open_run(plan.season)},
        status=422 if form.errors else 200,
    )


@require_http_methods(["GET", "POST"])
def choices(request: HttpRequest, pk: int) -> HttpResponse:
    """The three choices; taking one puts it into the sketch."""
    plan = _plan(request, pk)
    form = RepairChoiceForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = tried_with_message(
            request,
            lambda: repair_choose(
                plan,
                name=form.cleaned_data["choice"],
                version=form.cleaned_data["version"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if done:
            messages.success(request, _("It stands in the sketch. Nobody is told before you publish it."))
            return redirect("scheduling:plan", pk=plan.pk)
        return redirect("scheduling:plan_repair", pk=plan.pk)
    problem = _problem(request, plan)
    shown = repair_choices(plan, problem) if problem is not None else []
    if not shown:
        return redirect("scheduling:plan", pk=plan.pk)
    return render(
        request,
        "scheduling/repair.html",
        {
            "plan": plan,
            "choices": shown,
            "is_sketch": plan.state in SKETCHES,
            "call_off": days_to_call_off(plan),
        },
    )
