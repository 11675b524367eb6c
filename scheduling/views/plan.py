"""Plan board: does every queen have a place, a source and enough drones?"""

import datetime as dt

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_plan, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop
from scheduling.forms.plan import MoveForm
from scheduling.models import BenchSession, Booking, BookingMode, Placement, Plan, Season
from scheduling.queries.board import Board, board_of
from scheduling.queries.calls import Call, call_changes
from scheduling.queries.change_words import change_words, zone_of_season
from scheduling.queries.plans import (
    SKETCHES,
    member_changes,
    plan_in_force,
    plan_latest_sketch,
    plan_open_run,
    plans_seen_by,
)
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import is_repair
from scheduling.queries.season import season_in_force
from scheduling.queries.shares import shares_of
from scheduling.queries.worked_out import facts_mark
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_discard, plan_move, plan_move_back, plan_sketch_from, plan_take_out

COORDINATOR_ONLY = gettext_lazy(
    "The plan board is the coordinator's. Your own places stand under Today and in your bookings."
)


def _season(request: HttpRequest) -> Season | None:
    viewer = viewer_of_request(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    return season_in_force(viewer.cooperative, today=today_of(request))


def plan_to_change(request: HttpRequest, pk: int) -> Plan:
    viewer = viewer_of_request(request)
    plan = get_object_or_404(plans_seen_by(viewer).select_related("season__cooperative", "job"), pk=pk)
    require(can_plan(viewer), COORDINATOR_ONLY)
    return plan


@require_GET
def board(request: HttpRequest) -> HttpResponse:
    """The newest sketch if there is one, else the plan in force, else what has been asked for."""
    season = _season(request)
    if season is None:
        return render(request, "scheduling/board_empty.html")
    plan = plan_latest_sketch(season) or plan_in_force(season)
    return _show(request, season, plan)


@require_GET
def plan_page(request: HttpRequest, pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    return _show(request, plan.season, plan)


def _show(request: HttpRequest, season: Season, plan: Plan | None) -> HttpResponse:
    try:
        problem = problem_of(season, now=now_of(request))
    except Refusal as refusal:  # figures that only the coordinator can set
        return render(request, "scheduling/board_empty.html", {"refusal": refusal})
    shown = board_of(
        season,
        plan,
        problem,
        day=_day(request),
        days=request.GET.get("days"),
        rest=request.GET.get("rest"),
    )
    is_sketch = plan is not None and plan.state in SKETCHES
    if plan is not None and is_sketch:
        _acts_addressed(shown, plan)
    return render(
        request,
        "scheduling/board.html",
        {
            "season": season,
            "plan": plan,
            "in_force": plan_in_force(season),
            "running": plan_open_run(season),
            "board": shown,
            "finding": _finding(shown),
            "is_sketch": is_sketch,
            "is_repair": plan is not None and is_repair(plan),
            "facts_changed": plan is not None and plan.facts_mark not in {"", facts_mark(problem)},
            "shares": shares_of(season, plan) if plan else None,
            "gap_percent": 100 * float(plan.result.get("gap", 0)) if plan else 0,
            "earlier": season.plans.filter(number__isnull=False).order_by("-number")[:8],
        },
    )


def _acts_addressed(board: Board, plan: Plan) -> None:
    """Put on each card where it is moved, tried and taken out: made once each, with 0 and 1 for the card's numbers."""
    move, fits = (reverse(f"scheduling:{name}", args=[plan.pk, 0, 1]) for name in ("plan_move", "plan_fits"))
    out = reverse("scheduling:plan_take_out", args=[plan.pk, 1])
    for column in board.sessions:
        for card in column.cards:
            here = f"/{card.placement.booking_id}/from/{card.placement.pk}/"
            card.move_url, card.fits_url = (address.replace("/0/from/1/", here) for address in (move, fits))
            card.out_url = f"{out.removesuffix('1/')}{card.placement.pk}/"


def _day(request: HttpRequest) -> dt.date | None:
    """The bench day that the address asks to be shown; nonsense in it asks for nothing."""
    try:
        return dt.date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        return None


def _at_its_day(plan: Plan, session: BenchSession) -> str:
    """The plan's page, at the days among which a card was put down."""
    return f"{reverse('scheduling:plan', args=[plan.pk])}?day={session.day.isoformat()}"


def _finding(shown: Board) -> str:
    asked = shown.problem.requested
    if not asked:
        return _("Nobody asks for a place yet")
    if shown.plan is None:
        return ngettext("%(n)d queen waits for a plan", "%(n)d queens wait for a plan", asked) % {"n": asked}
    if shown.left == 0:
        return _("All %(n)d queens have a place") % {"n": asked}
    return ngettext("%(left)d of %(n)d queens has no place", "%(left)d of %(n)d queens have no place", shown.left) % {
        "left": shown.left,
        "n": asked,
    }


@require_POST
def work_out(request: HttpRequest) -> HttpResponse:
    season = _season(request)
    if season is None:
        return redirect("scheduling:board")
    person = viewer_of_request(request).person
    plan = tried_with_message(request, lambda: plan_ask(season, by=person, now=now_of(request)))
    return redirect("scheduling:plan_run", pk=plan.pk) if plan else redirect("scheduling:board")


@require_GET
def run(request: HttpRequest, pk: int) -> HttpResponse:
    """The waiting page: steps, best so far; a fragment for htmx, itself again for everybody else."""
    plan = plan_to_change(request, pk)
    if plan.job is None or plan.job.state == "ready":
        to = reverse("scheduling:plan_repair" if is_repair(plan) else "scheduling:plan", args=[plan.pk])
        if request.headers.get("HX-Request"):
            response = HttpResponse()
            response["HX-Redirect"] = request.build_absolute_uri(to)
            return response
        return redirect(to)
    template = "scheduling/plan_run_part.html" if request.headers.get("HX-Request") else "scheduling/plan_run.html"
    return render(request, template, {"plan": plan, "job": plan.job, "is_repair": is_repair(plan)})


@require_POST
def stop(request: HttpRequest, pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    job = plan.job
    if job is not None:
        tried_with_message(
            request, lambda: job_ask_stop(job, by=viewer_of_request(request).person, now=now_of(request))
        )
    return redirect("scheduling:plan_run", pk=plan.pk)


@require_POST
def sketch(request: HttpRequest, pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    person = viewer_of_request(request).person
    made = tried_with_message(request, lambda: plan_sketch_from(plan, by=person, now=now_of(request)))
    return redirect("scheduling:plan", pk=made.pk if made else plan.pk)


@require_POST
def discard(request: HttpRequest, pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    person = viewer_of_request(request).person
    if tried_with_message(request, lambda: plan_discard(plan, by=person, now=now_of(request))):
        messages.success(request, _("The sketch is set aside."))
    return redirect("scheduling:board")


@require_http_methods(["GET", "POST"])
def move(request: HttpRequest, pk: int, booking_pk: int, placement_pk: int | None = None) -> HttpResponse:
    """Move queens of one card, or place queens that have none."""
    plan = plan_to_change(request, pk)
    booking = get_object_or_404(Booking.objects.select_related("batch"), pk=booking_pk, season=plan.season)
    placement = get_object_or_404(Placement, pk=placement_pk, plan=plan, booking=booking) if placement_pk else None
    mixed = booking.mode == BookingMode.POOL
    sources = None if mixed else list(booking.accepted.values_list("source_id", flat=True))
    left = booking.queens - sum(plan.placements.filter(booking=booking).values_list("queens", flat=True))
    initial = {
        "queens": placement.queens if placement else max(1, left),
        "source": placement.source_id if placement else (sources[0] if sources else None),
        "version": plan.version,
    }
    form = MoveForm(request.POST or None, initial=initial, season=plan.season, today=today_of(request), sources=sources)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = tried(
            form,
            lambda: plan_move(
                plan,
                booking=booking,
                session=data["session"],
                source=data.get("source"),
                queens=data["queens"],
                taken_from=placement,
                version=data["version"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if done:
            words = _("%(batch)s moved to %(session)s.") % {"batch": booking.batch, "session": data["session"]}
            messages.success(request, words, extra_tags=_undo(plan))
            return redirect(_at_its_day(plan, data["session"]))
    return render(
        request, "scheduling/board_move.html", {"plan": plan, "booking": booking, "placement": placement, "form": form}
    )


@require_POST
def take_out(request: HttpRequest, pk: int, placement_pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    placement = get_object_or_404(Placement.objects.select_related("booking__batch"), pk=placement_pk, plan=plan)
    person = viewer_of_request(request).person
    if tried_with_message(request, lambda: plan_take_out(plan, placement=placement, by=person, now=now_of(request))):
        words = _("%(batch)s has no place now.") % {"batch": placement.booking.batch}
        messages.success(request, words, extra_tags=_undo(plan))
    return redirect("scheduling:plan", pk=plan.pk)


@require_POST
def move_back(request: HttpRequest, pk: int) -> HttpResponse:
    plan = plan_to_change(request, pk)
    person = viewer_of_request(request).person
    if tried_with_message(request, lambda: plan_move_back(plan, by=person, now=now_of(request))):
        messages.success(request, _("The move is taken back."))
    return redirect("scheduling:plan", pk=plan.pk)


def _undo(plan: Plan) -> str:
    return f"undo:{reverse('scheduling:plan_move_back', args=[plan.pk])}"


@require_http_methods(["GET", "POST"])
def publish(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask first, showing exactly who will be told what; then publish."""
    plan = plan_to_change(request, pk)
    before = plan_in_force(plan.season)
    if request.method == "POST":
        person = viewer_of_request(request).person
        version = int(request.POST["version"]) if request.POST.get("version", "").isdigit() else None
        told = len(member_changes(plan, before)) if plan.state in SKETCHES else 0
        done = tried_with_message(request, lambda: plan_publish(plan, version=version, by=person, now=now_of(request)))
        if done:
            messages.success(
                request,
                ngettext(
                    "Plan %(number)d is published. %(told)d member was told.",
                    "Plan %(number)d is published. %(told)d members were told.",
                    told,
                )
                % {"number": done.number or 0, "told": told},
            )
            return redirect("scheduling:plan", pk=done.pk)
        return redirect("scheduling:plan", pk=plan.pk)
    if plan.state not in SKETCHES:
        return redirect("scheduling:plan", pk=plan.pk)
    number = (
        plan.season.plans.filter(number__isnull=False).order_by("-number").values_list("number", flat=True).first() or 0
    ) + 1
    zone = zone_of_season(plan.season)
    return render(
        request,
        "scheduling/board_publish.html",
        {
            "plan": plan,
            "number": number,
            "before": before,
            "told": [
                (entry.member, [(change.booking, change_words(change, zone)) for change in entry.changes])
                for entry in member_changes(plan, before)
            ],
            "calls": _call_changes(plan, before, now=now_of(request)),
        },
    )


def _call_changes(plan: Plan, before: Plan | None, *, now: dt.datetime) -> list[Call]:
    try:
        return call_changes(plan, before, problem_of(plan.season, now=now))
    except Refusal:  # publishing itself will say which figure is missing
        return []
