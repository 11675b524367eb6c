"""Which of these few, and how alike are they?"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.http import viewer_of_request
from breeding.queries.compare import MOST_COMPARED, Compared, compared
from breeding.queries.ranking import latest_run
from breeding.templatetags.stock import plain_number
from breeding.views.shared import run_of_request, saved_views
from viz.interval import Words, draw_interval, scale_of


@require_safe
def compare(request: HttpRequest) -> HttpResponse:
    viewer, run = viewer_of_request(request), run_of_request(request)
    asked = [int(text) for text in request.GET.getlist("queen") if text.isdecimal() and len(text) < 18]
    found = compared(viewer, run, asked) if run is not None else None
    context: dict[str, Any] = {
        "run": run,
        "found": found,
        "finding": _finding(found),
        "left_out": len(set(asked)) > MOST_COMPARED,
        "is_latest": run == latest_run(viewer.cooperative),
        **saved_views(request, "compare"),
    }
    if found is not None:
        context |= {"merit": _merit_cells(found), "rows": _trait_rows(found), "alike": _alike(found)}
    return render(request, "breeding/compare.html", context)


def _finding(found: Compared | None) -> str:
    if found is None or len(found.merits) < 2:
        return _("Tick two to four queens to compare them")
    words = {"queen": found.leader.queen}
    if found.is_surely_ahead:
        return _("%(queen)s is surely ahead in merit") % words
    return _("%(queen)s has the highest merit, but the likely places overlap") % words


def _merit_cells(found: Compared) -> list[dict[str, Any]]:
    scale = scale_of([(merit.merit, merit.merit_error) for merit in found.merits])
    return [
        {
            "merit": merit,
            "drawing": draw_interval(
                merit.merit,
                merit.merit_error,
                scale,
                uid=f"merit-{merit.queen_id}",
                words=Words(_("Merit of %(queen)s") % {"queen": merit.queen}, number=plain_number),
            ).svg,
        }
        for merit in found.merits
    ]


def _trait_rows(found: Compared) -> list[dict[str, Any]]:
    """Each trait on a scale of its own, the same for all queens."""
    rows = []
    for trait, values in found.traits:
        known = [(value.total, value.total_error) for value in values if value is not None]
        scale = scale_of(known)
        cells = [
            {
                "value": value,
                "drawing": draw_interval(
                    value.total,
                    value.total_error,
                    scale,
                    uid=f"{trait.key}-{value.queen_id}",
                    words=Words(
                        _("%(trait)s of %(queen)s") % {"trait": trait, "queen": merit.queen}, number=plain_number
                    ),
                ).svg,
            }
            if value is not None
            else None
            for value, merit in zip(values, found.merits, strict=True)
        ]
        rows.append({"trait": trait, "cells": cells})
    return rows


def _alike(found: Compared) -> list[dict[str, Any]]:
    """The kinship of each with each, and with herself nothing: that is her own inbreeding."""
    return [
        {"queen": merit.queen, "cells": [None if i == j else value for j, value in enumerate(found.kinship[i])]}
        for i, merit in enumerate(found.merits)
    ]
