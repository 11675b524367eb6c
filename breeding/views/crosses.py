"""Which cross, at what inbreeding and brood viability?"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from accounts.http import viewer_of_request
from breeding.forms.crosses import SOURCES_AT_MOST, CrossForm
from breeding.queries.crosses import predict_crosses, predict_mixture
from breeding.queries.ranking import best_sources, latest_run
from breeding.queries.stock import labels_to_offer


@require_safe
def crosses(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    run = latest_run(viewer.cooperative)
    form = CrossForm(request.GET or None, viewer=viewer)
    context: dict[str, Any] = {"form": form, "run": run, "labels": labels_to_offer(viewer)}
    if form.is_bound and form.is_valid():
        mother, chosen = form.cleaned_data["mother"], form.sources()
        sources = (
            chosen
            or [queen for queen in (best_sources(run, SOURCES_AT_MOST + 1) if run else []) if queen.pk != mother.pk][
                :SOURCES_AT_MOST
            ]
        )
        predictions = predict_crosses(mother, sources, run)
        rows = sorted(
            zip(sources, predictions, strict=True),
            key=lambda row: (row[1].merit is None, -(row[1].merit or 0), row[0].label),
        )
        context |= {
            "mother": mother,
            "rows": rows,
            "sound": sum(1 for _, prediction in rows if not prediction.warning and not prediction.is_close),
            "mixture": predict_mixture(mother, chosen, run) if len(chosen) > 1 else None,
            "by_choice": bool(chosen),
        }
    return render(request, "breeding/crosses.html", context)
