"""Several lots made one even mixture, which several queens share."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from accounts.http import now_of, tried, viewer_of_request
from scheduling.forms.bench import MixForm
from scheduling.models import SessionState
from scheduling.queries.bench import lots_of_session
from scheduling.services.mixtures import lots_mix
from scheduling.views.bench_common import session_at_bench


@require_http_methods(["GET", "POST"])
def mix(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    if session.state != SessionState.RUNNING:
        return redirect("scheduling:bench_session", pk=pk)
    is_sent = request.method == "POST"  # sent twice, the lots of the first time may be empty
    lots = [view for view in lots_of_session(session) if view.is_open and (is_sent or view.free > 0)]
    form = MixForm(request.POST or None, lots=lots)
    if is_sent and form.is_valid():
        made = tried(
            form,
            lambda: lots_mix(
                session,
                parts=form.parts(),
                tip=form.cleaned_data["tip"],
                entry=form.cleaned_data["entry"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if made:
            messages.success(
                request, _("%(lot)s is mixed. Every queen who gets of it has the same shares.") % {"lot": made}
            )
            return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/bench_mix.html",
        {"session": session, "form": form, "lots": lots},
        status=422 if form.errors else 200,
    )
