"""The paper twin of a bench day: the sheet with its rows, and labels for the nucs."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from scheduling.queries.bench import bench_page
from scheduling.queries.plans import plan_in_force
from scheduling.views.bench_common import session_at_bench
from viz.qr import draw_qr


@require_GET
def sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """The rows of the order with room to write; what was written is typed in at the bench page later."""
    session = session_at_bench(request, pk)
    return render(
        request,
        "scheduling/bench_sheet.html",
        {
            "session": session,
            "page": bench_page(session),
            "plan": plan_in_force(session.season),
            "code": draw_qr(f"{settings.SITE_URL.upper()}/B/{session.pk}/"),
        },
    )


@require_GET
def labels(request: HttpRequest, pk: int) -> HttpResponse:
    """One label of 62 × 29 mm for every queen of the order, in sheets of A4 or one by one from a roll."""
    session = session_at_bench(request, pk)
    rows = [(row, row.batch_queen) for row in bench_page(session).rows if row.batch_queen is not None]
    return render(
        request,
        "scheduling/bench_labels.html",
        {
            "session": session,
            "labels": [(row, draw_qr(f"{settings.SITE_URL.upper()}/Q/{queen.queen_id}")) for row, queen in rows],
            "roll": request.GET.get("roll") == "1",
        },
    )


@require_GET
def queen_of_label(request: HttpRequest, pk: int) -> HttpResponse:
    """Where the code on a label leads. Upper case, as the code is smaller then."""
    return redirect("breeding:queen", pk=pk)


@require_GET
def bench_of_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    return redirect("scheduling:bench_session", pk=pk)
