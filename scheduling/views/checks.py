"""Looking at an inseminated queen: eggs, sealed brood, outcome."""

import json

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from accounts.access import can_act_for, require
from accounts.http import now_of, today_of, tried, viewer_of_request
from scheduling.forms.checks import CheckForm
from scheduling.models import BatchQueen
from scheduling.services.checks import check_record

OWN_ONLY = gettext_lazy("Only her keeper and the coordinator record what was found.")


@require_http_methods(["GET", "POST"])
def check_add(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    queens = BatchQueen.objects.filter(batch__season__cooperative=viewer.cooperative)
    queen = get_object_or_404(queens.select_related("batch__member", "queen"), pk=pk)
    require(can_act_for(viewer, queen.batch.member), OWN_ONLY)
    form = CheckForm(request.POST or None, initial={"checked_on": today_of(request)})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = tried(
            form,
            lambda: check_record(
                queen,
                checked_on=data["checked_on"],
                finding=data["finding"],
                pattern=data["pattern"],
                note=data["note"],
                brood_cells=data["brood_cells"],
                brood_alive=data["brood_alive"],
                entry=data["entry"],
                by=viewer.person,
                now=now_of(request),
            ),
        )
        if done:
            messages.success(
                request, _("%(queen)s: %(finding)s.") % {"queen": queen, "finding": done.get_finding_display()}
            )
            return redirect("scheduling:batch", pk=queen.batch_id)
    return render(
        request,
        "scheduling/check_form.html",
        {
            "queen": queen,
            "form": form,
            "checks": queen.checks.filter(replaced_by=None),
            "facts": json.dumps({"queen": queen.pk}),
        },
    )
