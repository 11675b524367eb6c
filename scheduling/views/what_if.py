"""What if? A question about one fact, its answer beside the plan, and keeping it where the coordinator can."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_plan, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Job, JobState
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop
from scheduling.forms.what_if import QUESTIONS, Question
from scheduling.models import Plan
from scheduling.queries.plans import plans_seen_by
from scheduling.queries.what_if import ShownAnswer, WhatIf, answers_of, is_the_coordinators
from scheduling.services.what_if import JOB, what_if_ask, what_if_keep

COORDINATOR_ONLY = gettext_lazy("Asking what other facts would bring is the coordinator's work.")
RECENT = 8


@require_http_methods(["GET", "POST"])
def ask(request: HttpRequest, pk: int) -> HttpResponse:
    """One form for each fact that could be another; the one that was sent is looked at."""
    plan = _plan(request, pk)
    viewer, kind = viewer_of_request(request), request.POST.get("kind", "")
    forms: dict[str, Question] = {
        name: form(request.POST if name == kind else None, season=plan.season) for name, form in QUESTIONS.items()
    }
    form = forms.get(kind)
    if request.method == "POST" and form is not None and form.is_valid():
        job = tried(form, lambda: what_if_ask(plan, form.change, by=viewer.person, now=now_of(request)))
        if job is not None:
            return redirect("scheduling:what_if", pk=job.pk)
    asked = Job.objects.filter(kind=JOB, cooperative=viewer.cooperative, arguments__plan=plan.pk).order_by("-pk")
    context = {
        "plan": plan,
        "forms": [shown for shown in forms.values() if shown.is_possible],
        "asked": [(job, _words(plan, job)) for job in asked[:RECENT]],
        "sent": kind,
    }
    return render(request, "scheduling/what_if_ask.html", context, status=422 if form and form.errors else 200)


@require_GET
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    """How far it is, then what it would bring."""
    job, plan = _job(request, pk)
    answers, problem = _answers(request, job, plan)
    context = {
        "job": job,
        "plan": plan,
        "words": _words(plan, job),
        "finding": _finding(job, answers),
        "answers": answers,
        "problem": problem,
        "may_keep": is_the_coordinators(str(job.arguments["change"]["kind"])),
    }
    return render(request, "scheduling/what_if.html", context)


@require_GET
def run(request: HttpRequest, pk: int) -> HttpResponse:
    """The fragment that asks again while it runs, and leads to the answer; everybody else sees the page."""
    job, _plan_asked = _job(request, pk)
    if request.headers.get("HX-Request") and job.is_open:
        return render(request, "scheduling/what_if_run.html", {"job": job})
    if request.headers.get("HX-Request"):
        response = HttpResponse()
        response["HX-Redirect"] = request.build_absolute_uri(reverse("scheduling:what_if", args=[job.pk]))
        return response
    return redirect("scheduling:what_if", pk=job.pk)


@require_POST
def stop(request: HttpRequest, pk: int) -> HttpResponse:
    job, _plan_asked = _job(request, pk)
    person = viewer_of_request(request).person
    tried_with_message(request, lambda: job_ask_stop(job, by=person, now=now_of(request)))
    return redirect("scheduling:what_if", pk=job.pk)


@require_POST
def keep(request: HttpRequest, pk: int) -> HttpResponse:
    job, _plan_asked = _job(request, pk)
    person, name = viewer_of_request(request).person, request.POST.get("name", "")
    made = tried_with_message(request, lambda: what_if_keep(job, name=name, by=person, now=now_of(request)))
    if made is None:
        return redirect("scheduling:what_if", pk=job.pk)
    messages.success(request, _("The fact is changed, and the plan stands as a sketch to check. Nobody was told yet."))
    return redirect("scheduling:plan", pk=made.pk)


def _plan(request: HttpRequest, pk: int) -> Plan:
    viewer = viewer_of_request(request)
    plan: Plan = get_object_or_404(plans_seen_by(viewer).select_related("season__cooperative"), pk=pk)
    require(can_plan(viewer), COORDINATOR_ONLY)
    return plan


def _job(request: HttpRequest, pk: int) -> tuple[Job, Plan]:
    job = get_object_or_404(Job, pk=pk, kind=JOB, cooperative=viewer_of_request(request).cooperative)
    return job, _plan(request, int(job.arguments["plan"]))


def _words(plan: Plan, job: Job) -> str:
    try:
        return WhatIf(plan.season, job.arguments["change"]).words
    except Refusal as refusal:  # what it was about is gone
        return refusal.text


def _answers(request: HttpRequest, job: Job, plan: Plan) -> tuple[list[ShownAnswer], str]:
    if job.state != JobState.READY:
        return [], ""
    try:
        found = answers_of(job, plan, WhatIf(plan.season, job.arguments["change"]), now=now_of(request))
    except Refusal as refusal:
        return [], refusal.text
    return found, "" if found else _("This was worked out on another day. Ask again.")


def _finding(job: Job, answers: list[ShownAnswer]) -> Any:
    if job.is_open:
        return _("What would it bring?")
    if not answers:
        return _("No answer")
    best = max(answers, key=lambda one: one.gain)
    if best.gain < 1:
        return _("No queen more would get a place")
    return ngettext("%(n)d queen more would get a place", "%(n)d queens more would get a place", best.gain) % {
        "n": best.gain
    }
