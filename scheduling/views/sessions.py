"""Bench days: opened, changed and called off by the coordinator; seen by everybody."""

from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods

from accounts.access import can_plan, require
from accounts.http import now_of, today_of, tried, viewer_of_request
from scheduling.forms.plan import BenchForm, SessionCancelForm, SessionForm
from scheduling.models import Bench, BenchSession
from scheduling.queries.season import season_in_force
from scheduling.queries.sessions import sessions_seen_by, sessions_with_room
from scheduling.services.sessions import bench_add, session_cancel, session_change, session_open

COORDINATOR_ONLY = gettext_lazy("Bench days are opened and changed by the coordinator.")


@require_GET
def session_list(request: HttpRequest) -> HttpResponse:
    viewer, today = viewer_of_request(request), today_of(request)
    season = season_in_force(viewer.cooperative, today=today)
    sessions = sessions_with_room(season).order_by("day", "starts_at") if season else []
    return render(
        request,
        "scheduling/sessions.html",
        {
            "season": season,
            "coming": [session for session in sessions if session.day >= today],
            "past": [session for session in sessions if session.day < today],
            "benches": Bench.objects.filter(cooperative=viewer.cooperative),
            "can_plan": can_plan(viewer),
        },
    )


@require_http_methods(["GET", "POST"])
def session_add(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    season = season_in_force(viewer.cooperative, today=today_of(request))
    if season is None or not Bench.objects.filter(cooperative=viewer.cooperative).exists():
        return redirect("scheduling:bench_add")
    form = SessionForm(request.POST or None, cooperative=viewer.cooperative)
    if request.method == "POST" and form.is_valid():
        made = tried(form, lambda: session_open(season, by=viewer.person, now=now_of(request), **form.cleaned_data))
        if made:
            messages.success(request, _("%(session)s is open for places.") % {"session": made})
            return redirect("scheduling:sessions")
    return render(request, "scheduling/session_form.html", {"form": form, "session": None})


@require_http_methods(["GET", "POST"])
def session_edit(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    session = _load(request, pk)
    require(can_plan(viewer), COORDINATOR_ONLY)
    zone = ZoneInfo(viewer.cooperative.time_zone)
    initial = {
        "starts": session.starts_at.astimezone(zone).time(),
        "ends": session.ends_at.astimezone(zone).time(),
        "operator": session.operator_id,
        **{
            name: getattr(session, name)
            for name in ("places", "operator_minutes", "collect_drones", "co2_capacity", "note")
        },
    }
    form = SessionForm(request.POST or None, initial=initial, cooperative=viewer.cooperative, session=session)
    if request.method == "POST" and form.is_valid():
        changed = tried(
            form, lambda: session_change(session, by=viewer.person, now=now_of(request), **form.cleaned_data)
        )
        if changed:
            messages.success(request, _("%(session)s is changed.") % {"session": changed})
            return redirect("scheduling:sessions")
    return render(request, "scheduling/session_form.html", {"form": form, "session": session})


@require_http_methods(["GET", "POST"])
def session_off(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    session = _load(request, pk)
    require(can_plan(viewer), COORDINATOR_ONLY)
    form = SessionCancelForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(
            form,
            lambda: session_cancel(session, reason=form.cleaned_data["reason"], by=viewer.person, now=now_of(request)),
        )
    ):
        messages.success(request, _("%(session)s is called off.") % {"session": session})
        return redirect("scheduling:sessions")
    return render(request, "scheduling/session_cancel.html", {"form": form, "session": session})


@require_http_methods(["GET", "POST"])
def bench_new(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    form = BenchForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(
            form,
            lambda: bench_add(viewer.cooperative, by=viewer.person, now=now_of(request), **form.cleaned_data),
        )
    ):
        messages.success(request, _("The bench is kept. Now open its days."))
        return redirect("scheduling:session_add")
    return render(request, "scheduling/bench_form.html", {"form": form})


def _load(request: HttpRequest, pk: int) -> BenchSession:
    sessions = sessions_seen_by(viewer_of_request(request)).select_related("bench", "season__cooperative")
    return get_object_or_404(sessions, pk=pk)
