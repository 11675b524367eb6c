"""Corrections of a closed session: a dose, drones, a pool, semen taken out, gas, what became of a queen."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from accounts.http import now_of, tried, viewer_of_request
from scheduling.forms.bench_correct import kinds_of
from scheduling.models import SessionState
from scheduling.views.bench_common import session_at_bench


@require_http_methods(["GET", "POST"])
def correct(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    if session.state != SessionState.CLOSED:
        return redirect("scheduling:bench_session", pk=pk)
    kinds = kinds_of(session)
    what = request.GET.get("what", "")
    what = what if what in kinds else "dose"
    form = kinds[what][1](request.POST or None, session=session, initial={"lot": request.GET.get("lot")})
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: form.correct(by=viewer_of_request(request).person, now=now_of(request)))
    ):
        messages.success(request, _("Added to the record. Matings, balance and what is due follow it."))
        return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/bench_correct.html",
        {
            "session": session,
            "form": form,
            "what": what,
            "kinds": [(key, label) for key, (label, _form) in kinds.items()],
        },
        status=422 if form.errors else 200,
    )
