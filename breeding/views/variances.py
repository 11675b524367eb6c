"""How heritable are the traits here, which variances do evaluations use, and what does merit weigh?"""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_run_evaluation, can_set_breeding, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Job
from accounts.services.jobs import job_ask_stop
from breeding.forms.variances import EstimateForm, WeightsForm
from breeding.models import Trait, VarianceEstimate
from breeding.queries.variance_words import together_rows, together_words, trait_rows
from breeding.queries.variances import adoption_in_use, decisions_of, estimate_jobs_of, estimates_of, open_estimate_job
from breeding.services.traits import trait_weights_set
from breeding.services.variances.adopting import variances_adopt
from breeding.services.variances.asking import estimate_ask

ONLY_BREEDERS = "Only breeders and the coordinator decide this."
EARLIER_AT_MOST = 12


def _number(text: str | None) -> int | None:
    return int(text) if text and text.isdecimal() and len(text) < 10 else None


@require_safe
def variances(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    known = estimates_of(viewer.cooperative)
    number = _number(request.GET.get("number"))
    estimate = get_object_or_404(known, number=number) if number is not None else known.first()
    adoption = adoption_in_use(viewer.cooperative)
    traits = list(Trait.objects.filter(cooperative=viewer.cooperative, in_evaluation=True))
    names = dict(Trait.objects.filter(cooperative=viewer.cooperative).values_list("key", "name"))
    rows = trait_rows(traits, estimate, adoption)
    context = {
        "estimate": estimate,
        "adoption": adoption,
        "rows": rows,
        "can_adopt": any(row.can_adopt for row in rows),
        "adopted_names": [names.get(key, key) for key in adoption.traits] if adoption else [],
        "together": together_rows(estimate, names) if estimate else [],
        "together_words": together_words(estimate, names) if estimate else "",
        "earlier": known[:EARLIER_AT_MOST],
        "decisions": decisions_of(viewer.cooperative)[:EARLIER_AT_MOST],
        "job": open_estimate_job(viewer.cooperative),
        "form": EstimateForm(),
        "may_decide": can_set_breeding(viewer),
    }
    return render(request, "breeding/variances.html", context)


@require_POST
def variances_take(request: HttpRequest) -> HttpResponse:
    """Adopt an estimate for the ticked traits; without an estimate, the starting values."""
    viewer = viewer_of_request(request)
    require(can_set_breeding(viewer), _(ONLY_BREEDERS))
    estimate: VarianceEstimate | None = None
    if request.POST.get("estimate"):
        estimate = get_object_or_404(estimates_of(viewer.cooperative), number=_number(request.POST["estimate"]) or 0)
    done = tried_with_message(
        request,
        lambda: (
            variances_adopt(
                viewer.cooperative,
                estimate=estimate,
                traits=request.POST.getlist("traits"),
                seen=_number(request.POST.get("seen")),
                by=viewer.person,
                now=now_of(request),
            ),
        ),
    )
    if done:
        messages.success(
            request,
            _("The next evaluation uses estimates %(number)s.") % {"number": estimate.number}
            if estimate
            else _("The next evaluation uses the starting values."),
        )
    return redirect("breeding:variances")


@require_POST
def estimate_start(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    job = tried_with_message(
        request,
        lambda: estimate_ask(
            viewer.cooperative,
            by=viewer.person,
            now=now_of(request),
            together=request.POST.get("together") == "on",
        ),
    )
    return redirect("breeding:estimate", pk=job.pk) if job else redirect("breeding:variances")


def _job(request: HttpRequest, pk: int) -> Job:
    job: Job = get_object_or_404(estimate_jobs_of(viewer_of_request(request).cooperative), pk=pk)
    return job


@require_safe
def estimate(request: HttpRequest, pk: int) -> HttpResponse:
    job = _job(request, pk)
    context = {
        "job": job,
        "made": VarianceEstimate.objects.filter(job=job).first(),
        "may_run": can_run_evaluation(viewer_of_request(request)),
    }
    return render(request, "breeding/estimate.html", context)


@require_safe
def estimate_steps(request: HttpRequest, pk: int) -> HttpResponse:
    """The fragment that the page asks for every 2 s; when the work has ended it calls for the whole page."""
    job = _job(request, pk)
    context = {"job": job, "may_run": can_run_evaluation(viewer_of_request(request))}
    response = render(request, "breeding/estimate_steps.html", context)
    if not job.is_open:
        response["HX-Refresh"] = "true"
    return response


@require_POST
def estimate_stop(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_run_evaluation(viewer), _(ONLY_BREEDERS))
    job = _job(request, pk)
    if tried_with_message(request, lambda: job_ask_stop(job, by=viewer.person, now=now_of(request))):
        messages.success(request, _("It stops at its next step."))
    return redirect("breeding:estimate", pk=pk)


@require_http_methods(["GET", "POST"])
def weights(request: HttpRequest) -> HttpResponse:
    """What merit weighs: every member may look, breeders and the coordinator change it."""
    viewer = viewer_of_request(request)
    may_decide = can_set_breeding(viewer)
    traits = list(Trait.objects.filter(cooperative=viewer.cooperative))
    if request.method == "POST":
        require(may_decide, _(ONLY_BREEDERS))
    form = WeightsForm(request.POST or None, traits=traits)
    if request.method == "POST" and form.is_valid():
        changed = tried(
            form,
            lambda: trait_weights_set(
                viewer.cooperative,
                weights=form.weights(),
                takes_part=form.takes_part(),
                seen=form.cleaned_data["seen"],
                by=viewer.person,
                now=now_of(request),
            ),
        )
        if changed is not None:
            messages.success(request, _("The next evaluation weighs the traits like this."))
            return redirect("breeding:weights")
    heaviest = max(traits, key=lambda trait: trait.merit_weight, default=None)
    context = {"form": form, "traits": traits, "heaviest": heaviest, "may_decide": may_decide}
    return render(request, "breeding/weights.html", context)
