"""Which cross, at what inbreeding and brood viability?"""

from collections.abc import Iterable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from accounts.access import Viewer, can_plan_crosses, require
from accounts.http import now_of, today_of, tried_with_message, viewer_of_request
from accounts.models import AuditEntry
from accounts.tables import Cell, Table, table_response
from breeding.forms.crosses import CrossForm, GridForm, SaveForm
from breeding.models import EvaluationRun, PlannedCross, Queen
from breeding.queries.crosses import (
    CrossGrid,
    CrossPrediction,
    best_mothers,
    cross_grid,
    planned_crosses_of,
    predict_each,
    predict_mixture,
)
from breeding.queries.ranking import best_sources, latest_run, traits_of_run
from breeding.queries.stock import labels_to_offer, living_mated
from breeding.services.crosses import cross_remove, cross_restore, cross_save
from breeding.templatetags.stock import plain_number
from viz.interval import Scale, Words, draw_interval, scale_of
from viz.span import draw_span

OFFERED = 12
LISTED = 20
ONLY_BREEDERS = "Breeders and the coordinator write down which crosses are wanted."
HEAT_LEVELS = 4


@require_safe
def crosses(request: HttpRequest) -> HttpResponse:
    """All mothers with all sources in one table, shaded by what is compared; the best of them beside it."""
    viewer = viewer_of_request(request)
    run = latest_run(viewer.cooperative)
    form = GridForm(request.GET, viewer=viewer)
    context: dict[str, Any] = {"form": form, "run": run, "may_save": can_plan_crosses(viewer)}
    if form.is_valid():
        grid = _grid(form, viewer, run)
        by = _criterion(form, grid)
        pairs = _ranked(grid, by)
        context |= {
            "grid": grid,
            "rows": _shaded(grid, by),
            "by": by,
            "pairs": pairs[:LISTED],
            "number": len(pairs),
            "sound": sum(1 for *_, one in pairs if one.is_sound),
            "named": bool(form.cleaned_data["mothers"] or form.cleaned_data["sources"]),
            "drones": form.cleaned_data.get("drones") or 8,
        }
    return render(request, "breeding/crosses.html", context)


@require_safe
def crosses_csv(request: HttpRequest) -> HttpResponse:
    """Every cross of the same question as a table file."""
    viewer = viewer_of_request(request)
    run = latest_run(viewer.cooperative)
    form = GridForm(request.GET, viewer=viewer)
    if not form.is_valid():
        return redirect(f"{reverse('breeding:crosses')}?{request.GET.urlencode()}")
    grid = _grid(form, viewer, run)
    traits = list(traits_of_run(run)) if run else []
    head = ["mother", "inseminated", "source", "merit_sd", "merit_spread_sd", "inbreeding", "known_generations"]
    head += ["viability", "viability_low5", "viability_high95", "below_75"]
    for trait in traits:
        head += [f"{trait.key}_colony", f"{trait.key}_daughters", f"{trait.key}_daughters_spread"]
    lines: list[list[Cell]] = []
    for mother, source, one in _ranked(grid, _criterion(form, grid)):
        cells: list[Cell] = [
            mother.label, "daughters" if one.of_daughters else "herself", source.label,
            _plain(one.merit), _plain(one.merit_sd), _plain(one.worker_inbreeding), round(one.known_generations, 2),
            _plain(one.viability), _plain(one.viability_low), _plain(one.viability_high), _plain(one.below_75),
        ]  # fmt: skip
        for trait in traits:
            outlook = one.traits.get(trait.key)
            cells += (
                [_plain(outlook.colony), _plain(outlook.daughters), _plain(outlook.daughters_sd)]
                if outlook
                else [None, None, None]
            )
        lines.append(cells)
    return table_response(request, Table("crosses", head, lines))


@require_safe
def cross(request: HttpRequest) -> HttpResponse:
    """One cross or mixture with everything that can be said of it."""
    viewer = viewer_of_request(request)
    run = latest_run(viewer.cooperative)
    form = CrossForm(request.GET or None, viewer=viewer)
    context: dict[str, Any] = {
        "form": form,
        "run": run,
        "labels": labels_to_offer(viewer),
        "may_save": can_plan_crosses(viewer),
        "years": range(today_of(request).year, today_of(request).year + 3),
    }
    if form.is_bound and form.is_valid():
        mother, shares, options = form.cleaned_data["mother"], form.shares(), form.options()
        one = predict_mixture(mother, shares, run, options)
        whole = sum(shares.values())
        context |= {
            "mother": mother,
            "one": one,
            "shares": [(queen, share / whole) for queen, share in shares.items()],
            "sources_text": " + ".join(str(queen) for queen in shares),
            "viability": _span(one),
            "traits": _trait_rows(one, run),
            "merit": _merit(one),
            "drones": options.drones or 8,
        }
    return render(request, "breeding/cross.html", context)


@require_POST
def cross_add(request: HttpRequest) -> HttpResponse:
    """Save the cross that was looked at: its address as hidden fields, and the season."""
    viewer = viewer_of_request(request)
    require(can_plan_crosses(viewer), _(ONLY_BREEDERS))
    form, season = CrossForm(request.POST, viewer=viewer), SaveForm(request.POST)
    if form.is_valid() and season.is_valid():
        saved = tried_with_message(
            request,
            lambda: cross_save(
                viewer.cooperative,
                mother=form.cleaned_data["mother"],
                shares=form.shares(),
                season_year=season.cleaned_data["season_year"],
                note=season.cleaned_data["note"],
                by=viewer.person,
                now=now_of(request),
            ),
        )
        if saved:
            messages.success(request, _("%(cross)s is written down.") % {"cross": saved})
            return redirect("breeding:planned_crosses")
    else:
        for text in _errors(form, season):
            messages.error(request, text)
    asked = {key: value for key, value in request.POST.items() if key in form.fields and value}
    return redirect(f"{reverse('breeding:cross')}?{urlencode(asked)}")


@require_safe
def planned(request: HttpRequest) -> HttpResponse:
    """The crosses that were saved, each with what it would give by today's pedigree and run."""
    viewer = viewer_of_request(request)
    run = latest_run(viewer.cooperative)
    saved = list(planned_crosses_of(viewer.cooperative))
    wanted = [
        (cross.mother, {row.drone_queen: row.share_permille / 1000 for row in cross.shares.all()}) for cross in saved
    ]
    rows: list[dict[str, Any]] = [
        {"cross": cross, "shares": list(shares.items()), "one": one, "query": cross_query(mother, shares)}
        for cross, (mother, shares), one in zip(saved, wanted, predict_each(wanted, run), strict=True)
    ]
    return render(
        request,
        "breeding/planned_crosses.html",
        {
            "rows": rows,
            "may_save": can_plan_crosses(viewer),
            "may_plan_batches": viewer.is_member or viewer.is_coordinator,
            "warned": sum(1 for row in rows if not row["one"].is_sound),
        },
    )


@require_POST
def planned_remove(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    saved: PlannedCross = get_object_or_404(planned_crosses_of(viewer.cooperative), pk=pk)
    require(can_plan_crosses(viewer), _(ONLY_BREEDERS))
    name = str(saved)
    entry = tried_with_message(request, lambda: cross_remove(saved, by=viewer.person, now=now_of(request)))
    if entry:
        undo = reverse("breeding:planned_restore", args=[entry.pk])
        messages.success(request, _("%(cross)s is removed.") % {"cross": name}, extra_tags=f"undo:{undo}")
    return redirect("breeding:planned_crosses")


@require_POST
def planned_restore(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    entry = get_object_or_404(AuditEntry, pk=pk, cooperative=viewer.cooperative, action="cross.remove")
    require(can_plan_crosses(viewer), _(ONLY_BREEDERS))
    restored = tried_with_message(request, lambda: cross_restore(entry, by=viewer.person, now=now_of(request)))
    if restored:
        messages.success(request, _("%(cross)s is back.") % {"cross": restored})
    return redirect("breeding:planned_crosses")


def _grid(form: GridForm, viewer: Viewer, run: EvaluationRun | None) -> CrossGrid:
    mothers = form.cleaned_data["mothers"] or (
        best_mothers(run, OFFERED) if run else list(living_mated(viewer)[:OFFERED])
    )
    sources = form.cleaned_data["sources"] or (
        best_sources(run, OFFERED) if run else list(living_mated(viewer)[:OFFERED])
    )
    return cross_grid(mothers, sources, run, form.options())


def _criterion(form: GridForm, grid: CrossGrid) -> str:
    """What was asked for; without merit, viability."""
    asked = form.cleaned_data.get("by") or "merit"
    known = any(one.merit is not None for row in grid.cells for one in row)
    return asked if asked != "merit" or known else "viability"


def _worth(one: CrossPrediction, by: str) -> float | None:
    """Higher is better; None where it is not known."""
    return {"merit": one.merit, "inbreeding": -one.worker_inbreeding, "viability": one.viability}[by]


def _ranked(grid: CrossGrid, by: str) -> list[tuple[Queen, Queen, CrossPrediction]]:
    """Sound crosses first, then those with a warning, each by the criterion."""
    pairs = [
        (mother, source, one)
        for mother, row in zip(grid.mothers, grid.cells, strict=True)
        for source, one in zip(grid.sources, row, strict=True)
        if mother.pk != source.pk or one.of_daughters
    ]

    def order(pair: tuple[Queen, Queen, CrossPrediction]) -> tuple[bool, bool, float, float, str, str]:
        mother, source, one = pair
        worth = _worth(one, by)
        return (not one.is_sound, worth is None, -(worth or 0.0), -one.viability, mother.label, source.label)

    return sorted(pairs, key=order)


def _shaded(grid: CrossGrid, by: str) -> list[tuple[Queen, list[tuple[Queen, CrossPrediction, int]]]]:
    """Rows of the table, each cell with its shade: 0 the worst fifth of all, 4 the best."""
    worths = {round(worth, 9) for row in grid.cells for one in row if (worth := _worth(one, by)) is not None}
    place = {worth: k for k, worth in enumerate(sorted(worths))}

    def shade(one: CrossPrediction) -> int:
        worth = _worth(one, by)
        return (
            round(HEAT_LEVELS * place[round(worth, 9)] / (len(place) - 1))
            if worth is not None and len(place) > 1
            else 0
        )

    return [
        (mother, [(source, one, shade(one)) for source, one in zip(grid.sources, row, strict=True)])
        for mother, row in zip(grid.mothers, grid.cells, strict=True)
    ]


def _span(one: CrossPrediction) -> Any:
    return draw_span(
        100 * one.viability_low,
        100 * one.viability,
        100 * one.viability_high,
        Scale(45, 102),
        uid="viability",
        words=Words(_("Brood viability in per cent"), (_("Mean"), _("5 % of cases below"), _("5 % of cases above"))),
        say="{:.0f} %",
        limits=(75, 85),
    )


def _merit(one: CrossPrediction) -> Any:
    if one.merit is None or one.merit_sd is None:
        return None
    scale = scale_of([(one.merit, one.merit_sd)])
    return draw_interval(
        one.merit, one.merit_sd, scale, uid="merit", words=Words(_("Merit of the daughters"), number=plain_number)
    )


def _trait_rows(one: CrossPrediction, run: EvaluationRun | None) -> list[dict[str, Any]]:
    if run is None or not one.traits:
        return []
    rows = []
    for trait in traits_of_run(run):
        outlook = one.traits.get(trait.key)
        if outlook is not None:
            drawing = draw_interval(
                outlook.daughters,
                outlook.daughters_sd,
                scale_of([(outlook.daughters, outlook.daughters_sd)]),
                uid=f"daughters-{trait.pk}",
                words=Words(_("Daughters: %(trait)s") % {"trait": trait}, number=plain_number),
            )
            rows.append({"trait": trait, "outlook": outlook, "drawing": drawing.svg})
    return rows


def cross_query(mother: Queen, shares: dict[Queen, float]) -> str:
    asked: dict[str, str] = {"mother": mother.label}
    for number, (queen, share) in enumerate(shares.items(), start=1):
        asked[f"source_{number}"] = queen.label
        if len(shares) > 1:
            asked[f"share_{number}"] = f"{100 * share:.1f}"
    return urlencode(asked)


def _errors(*shown: Any) -> Iterable[str]:
    for form in shown:
        for name, texts in form.errors.items():
            label = form.fields[name].label if name in form.fields else ""
            yield from (f"{label}: {text}" if label else str(text) for text in texts)


def _plain(number: float | None) -> float | None:
    return None if number is None else round(number, 4)
