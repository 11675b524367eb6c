"""Starting an evaluation, watching it, stopping it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_run_evaluation, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Job
from accounts.services.jobs import job_ask_stop
from breeding.forms.evaluation import EvaluationForm
from breeding.models import EvaluationRun, Trait
from breeding.queries.ranking import evaluation_jobs_of, usual_seconds
from breeding.services.evaluation.asking import Choices, evaluation_ask
from breeding.services.evaluation.nightly import is_nightly, nightly_set

ONLY_BREEDERS = gettext_noop("Only breeders and the coordinator start or stop an evaluation.")


def _job(request: HttpRequest, pk: int) -> Job:
    job: Job = get_object_or_404(evaluation_jobs_of(viewer_of_request(request).cooperative), pk=pk)
    return job


@require_POST
def evaluation_start(request: HttpRequest) -> HttpResponse:
    """The usual one, without what the night works out: new scores show within seconds."""
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    job = tried_with_message(
        request,
        lambda: evaluation_ask(viewer.cooperative, by=viewer.person, now=now_of(request), choices=Choices(whole=False)),
    )
    return redirect("breeding:evaluation", pk=job.pk) if job else redirect("breeding:standing")


@require_http_methods(["GET", "HEAD", "POST"])
def evaluation_new(request: HttpRequest) -> HttpResponse:
    """An evaluation of chosen traits, days and variances, or a trial."""
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    traits = list(Trait.objects.filter(cooperative=viewer.cooperative, in_evaluation=True))
    form = EvaluationForm(request.POST or None, traits=traits)
    if request.method == "POST" and form.is_valid():
        job = tried(
            form,
            lambda: evaluation_ask(viewer.cooperative, by=viewer.person, now=now_of(request), choices=form.chosen()),
        )
        if job is not None:
            return redirect("breeding:evaluation", pk=job.pk)
    context = {"form": form, "nightly": is_nightly(viewer.cooperative)}
    return render(request, "breeding/evaluation_new.html", context)


@require_POST
def nightly(request: HttpRequest) -> HttpResponse:
    """The evaluation of the night, on or off."""
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    nightly_set(viewer.cooperative, nightly="on" in request.POST, by=viewer.person, now=now_of(request))
    return redirect("breeding:evaluation_new")


@require_safe
def evaluation(request: HttpRequest, pk: int) -> HttpResponse:
    job = _job(request, pk)
    return render(
        request,
        "breeding/evaluation.html",
        {
            "job": job,
            "run": EvaluationRun.objects.filter(job=job).first(),
            "may_run": can_run_evaluation(viewer_of_request(request)),
            "usual_seconds": usual_seconds(job),
        },
    )


@require_safe
def evaluation_steps(request: HttpRequest, pk: int) -> HttpResponse:
    """The fragment that the page asks for every 2 s; when the run has ended it calls for the whole page."""
    job = _job(request, pk)
    context = {
        "job": job,
        "may_run": can_run_evaluation(viewer_of_request(request)),
        "usual_seconds": usual_seconds(job),
    }
    response = render(request, "breeding/evaluation_steps.html", context)
    if not job.is_open:
        response["HX-Refresh"] = "true"
    return response


@require_POST
def evaluation_stop(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    job = _job(request, pk)
    if tried_with_message(request, lambda: job_ask_stop(job, by=viewer.person, now=now_of(request))):
        messages.success(request, _("It stops at its next step."))
    return redirect("breeding:evaluation", pk=pk)
