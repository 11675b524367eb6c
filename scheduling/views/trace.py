"""Traceability: from a queen back, from a source or a lot forward, in one page to read and to print."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST, require_safe

from accounts.access import can_act_for, can_plan, can_work_bench, require
from accounts.http import now_of, tried_with_message, viewer_of_request
from scheduling.forms.trace import TellForm
from scheduling.models import BatchQueen, DroneSource, SemenLot
from scheduling.queries.trace import trace_of_lots, trace_of_queen, trace_of_source, trace_search
from scheduling.services.trace import trace_tell

BENCH_ONLY = gettext_lazy("Where semen went is for bench operators and the coordinator.")
OWN_ONLY = gettext_lazy("Her record at the bench is for her keeper, bench operators and the coordinator.")


@require_safe
def trace(request: HttpRequest) -> HttpResponse:
    """Search by a queen's mark, a lot's label, a source's name."""
    viewer = viewer_of_request(request)
    require(can_work_bench(viewer), BENCH_ONLY)
    words = request.GET.get("q", "")[:60]
    return render(request, "scheduling/trace.html", {"words": words, "found": trace_search(viewer, words)})


@require_safe
def trace_queen(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    queen = get_object_or_404(
        BatchQueen.objects.select_related("queen", "batch__member", "batch__mother", "batch__season"),
        pk=pk,
        batch__season__cooperative=viewer.cooperative,
    )
    require(can_work_bench(viewer) or can_act_for(viewer, queen.batch.member), OWN_ONLY)
    return render(
        request,
        "scheduling/trace_queen.html",
        {"queen": queen, "trace": trace_of_queen(queen), "may_forward": can_work_bench(viewer)},
    )


@require_safe
def trace_source(request: HttpRequest, pk: int) -> HttpResponse:
    source = _source(request, pk)
    return _forward(request, source)


@require_safe
def trace_lot(request: HttpRequest, pk: int) -> HttpResponse:
    return _forward(request, _lot(request, pk))


@require_POST
def trace_source_tell(request: HttpRequest, pk: int) -> HttpResponse:
    return _tell(request, _source(request, pk))


@require_POST
def trace_lot_tell(request: HttpRequest, pk: int) -> HttpResponse:
    return _tell(request, _lot(request, pk))


def _forward(request: HttpRequest, thing: DroneSource | SemenLot) -> HttpResponse:
    is_source = isinstance(thing, DroneSource)
    found = trace_of_source(thing) if isinstance(thing, DroneSource) else trace_of_lots([thing.pk])
    finding = ngettext("%(n)d queen has semen of %(thing)s", "%(n)d queens have semen of %(thing)s", len(found.queens))
    return render(
        request,
        "scheduling/trace_forward.html",
        {
            "finding": finding % {"n": len(found.queens), "thing": thing},
            "thing": thing,
            "is_source": is_source,
            "trace": found,
            "form": TellForm(),
            "may_tell": can_plan(viewer_of_request(request)),
        },
    )


def _tell(request: HttpRequest, thing: DroneSource | SemenLot) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), _("The coordinator tells the keepers."))
    form = TellForm(request.POST)
    words = form.cleaned_data["words"] if form.is_valid() else ""
    told = tried_with_message(request, lambda: trace_tell(thing, words=words, by=viewer.person, now=now_of(request)))
    if told:
        text = ngettext("%(n)d keeper is told.", "%(n)d keepers are told.", told)
        messages.success(request, text % {"n": told})
    name = "trace_source" if isinstance(thing, DroneSource) else "trace_lot"
    return redirect(f"scheduling:{name}", pk=thing.pk)


def _source(request: HttpRequest, pk: int) -> DroneSource:
    viewer = viewer_of_request(request)
    sources = DroneSource.objects.filter(season__cooperative=viewer.cooperative)
    source = get_object_or_404(sources.select_related("season__cooperative", "member", "drone_queen"), pk=pk)
    require(can_work_bench(viewer), BENCH_ONLY)
    return source


def _lot(request: HttpRequest, pk: int) -> SemenLot:
    viewer = viewer_of_request(request)
    lots = SemenLot.objects.filter(session__season__cooperative=viewer.cooperative)
    lot = get_object_or_404(lots.select_related("session__season__cooperative", "source"), pk=pk)
    require(can_work_bench(viewer), BENCH_ONLY)
    return lot
