"""A correction of a closed session."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from accounts.http import now_of, tried, viewer_of_request
from scheduling.forms.bench import CorrectForm
from scheduling.models import SessionState
from scheduling.services.bench_correct import dose_correct
from scheduling.views.bench_common import session_at_bench


@require_http_methods(["GET", "POST"])
def correct(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    if session.state != SessionState.CLOSED:
        return redirect("scheduling:bench_session", pk=pk)
    form = CorrectForm(request.POST or None, session=session)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        corrected = tried(
            form,
            lambda: dose_correct(
                data["place"],
                lot=data["lot"],
                volume_tenths=data["volume"],
                reason=data["reason"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if corrected:
            messages.success(request, _("Added to the record. Her mating and what is due for her follow it."))
            return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/bench_correct.html",
        {"session": session, "form": form},
        status=422 if form.errors else 200,
    )
