"""Book a place in three steps; my bookings; the card of one booking."""

import uuid
from typing import Any, cast
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods, require_safe

from accounts.access import can_act_for, require
from accounts.http import now_of, today_of, tried, viewer_of_request
from accounts.queries.history import history_rows
from accounts.tables import table_response
from breeding.templatetags.stock import percent
from scheduling.forms.booking import DayForm, DronesForm
from scheduling.forms.sources import OptionalReasonForm
from scheduling.models import Booking, BookingSource, BookingState, DroneSource, QueenBatch, Season
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.batches import (
    ON_CARDS,
    BatchView,
    batch_view,
    batch_views,
    batches_seen_by,
    batches_to_book,
    with_facts,
    zone_of_batch,
)
from scheduling.queries.booking_tables import bookings_table
from scheduling.queries.bookings import (
    bookings_seen_by,
    bookings_with_facts,
    history_of_booking,
    open_offer_of,
    outlook_of,
    queue_words,
)
from scheduling.queries.choices import session_options, source_choices
from scheduling.queries.people import members_acted_for
from scheduling.queries.sessions import sessions_to_come
from scheduling.services.bookings import CAN_WITHDRAW, booking_ask, booking_withdraw
from scheduling.views.common import no_season, season_of_request

ROWS_PER_PAGE = 24
STEPS = [gettext_lazy("Which queens"), gettext_lazy("Which drones"), gettext_lazy("Which day")]


@require_GET
def book_queens(request: HttpRequest) -> HttpResponse:
    """Step 1."""
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    chosen = request.GET.get("batch", "")
    batches = batches_seen_by(viewer).filter(season=season, member__in=members_acted_for(viewer))
    listed = batches_to_book(batches, first=int(chosen) if chosen.isdecimal() and len(chosen) < 10 else None)
    page = Paginator(listed, ROWS_PER_PAGE).get_page(request.GET.get("page"))
    views = batch_views(cast("QuerySet[QueenBatch]", page.object_list), season=season, today=today_of(request))
    context = {
        "season": season,
        "bookable": [view for view in views if view.not_booked],
        "booked_out": [view for view in views if not view.not_booked],
        "chosen": chosen,
        "page": page,
        "steps": STEPS,
        "today": today_of(request),
    }
    return render(request, "scheduling/book_queens.html", context)


@require_GET
def book_drones(request: HttpRequest) -> HttpResponse:
    """Step 2."""
    view = _batch(request)
    if view is None:
        messages.error(request, _("Choose the queens first."))
        return redirect("scheduling:book")
    if not view.not_booked:
        messages.error(request, _("All queens of %(batch)s are booked already.") % {"batch": view.batch})
        return redirect("scheduling:book")
    choices = source_choices(view)
    queens = _number(request.GET.get("queens"), most=view.not_booked)
    initial = {
        "batch": view.batch.pk,
        "queens": queens,
        "source": request.GET.getlist("source"),
        "dose": view.settings.dose_standard_ul,
        "mode": request.GET.get("mode") or "each",
    }
    form = DronesForm([(choice.source.pk, choice.source.name) for choice in choices], initial=initial)
    options = dict(zip([choice.source.pk for choice in choices], form["source"], strict=True))
    context = {
        "view": view,
        "form": form,
        "queens": queens,
        "cards": [(choice, options[choice.source.pk]) for choice in choices],
        "usable": any(not choice.blocked for choice in choices),
        "steps": STEPS,
        "today": view.today,
    }
    return render(request, "scheduling/book_drones.html", context)


@require_http_methods(["GET", "POST"])
def book_day(request: HttpRequest) -> HttpResponse:
    """Step 3: the days with how they fit; posting asks for the places."""
    data = request.POST if request.method == "POST" else request.GET
    view = _batch(request, data)
    sources = _sources(view, data) if view else []
    if view is None or not sources:
        messages.error(request, _("Choose at least one source.") if view else _("Choose the queens first."))
        return _back_to_drones(view, data)
    form = _day_form(request, view, sources)
    if request.method == "POST" and form.is_valid():
        booking = tried(form, lambda: _ask(request, view, sources, form))
        if booking:
            _say_asked(request, booking)
            return redirect("scheduling:booking", booking.pk)
    choices = source_choices(view, only=[source.pk for source in sources])
    tenths = _tenths(data.get("dose"), usual=tenths_from_ul(view.settings.dose_standard_ul))
    queens = _number(data.get("queens"), most=view.not_booked)
    options = session_options(view, choices, queens=queens, dose_tenths=tenths, mode=data.get("mode") or "each")
    if not form.is_bound and not form.initial.get("session"):
        form.initial["session"] = next((option.session.pk for option in options if option.status == "fits"), None)
    inputs = {int(option.data["value"]): option for option in form["session"]}
    context = {
        "view": view,
        "form": form,
        "queens": queens,
        "sources": sources,
        "cards": [(option, inputs[option.session.pk]) for option in options],
        "possible": [option for option in options if option.status != "no"],
        "drones_url": f"{reverse('scheduling:book_drones')}?{_address(data)}",
        "steps": STEPS,
        "today": view.today,
        "zone": view.batch.season.cooperative.time_zone,
    }
    return render(request, "scheduling/book_day.html", context)


def _day_form(request: HttpRequest, view: BatchView, sources: list[DroneSource]) -> DayForm:
    source_choices_ = [(source.pk, source.name) for source in sources]
    coming = sessions_to_come(view.batch.season, today=view.today)
    sessions = [(session.pk, str(session)) for session in coming]
    if request.method == "POST":
        return DayForm(source_choices_, sessions, request.POST)
    initial = {
        "batch": view.batch.pk,
        "source": [source.pk for source in sources],
        "mode": request.GET.get("mode") or "each",
        "dose": request.GET.get("dose") or view.settings.dose_standard_ul,
        "queens": _number(request.GET.get("queens"), most=view.not_booked),
        "session": request.GET.get("session"),
        "key": uuid.uuid4(),
    }
    return DayForm(source_choices_, sessions, initial=initial)


def _ask(request: HttpRequest, view: BatchView, sources: list[DroneSource], form: DayForm) -> Booking:
    data = form.cleaned_data
    session = next(
        session for session in sessions_to_come(view.batch.season, today=view.today) if session.pk == data["session"]
    )
    return booking_ask(
        view.batch,
        queens=data["queens"],
        sources=sources,
        session=session,
        dose_tenths=data["dose"],
        mode=data["mode"],
        note=data["note"],
        key=data["key"],
        by=viewer_of_request(request).person,
        now=now_of(request),
    )


def _say_asked(request: HttpRequest, booking: Booking) -> None:
    if booking.state == BookingState.QUEUED:
        messages.warning(request, f"{booking.why} {queue_words(booking)}")
    else:
        messages.success(request, _("Asked: %(booking)s. The next plan decides.") % {"booking": booking})


def _everyone(request: HttpRequest) -> bool:
    return request.GET.get("who") == "all" and viewer_of_request(request).is_coordinator


def _listed(request: HttpRequest, season: Season) -> QuerySet[Booking]:
    viewer = viewer_of_request(request)
    bookings = bookings_with_facts(bookings_seen_by(viewer).filter(season=season))
    if not _everyone(request) and viewer.is_member:
        bookings = bookings.filter(member__in=viewer.member_ids)
    return bookings.order_by("-asked_at", "-pk")


@require_safe
def bookings_csv(request: HttpRequest) -> HttpResponse:
    """What the list shows, as a table file."""
    season = season_of_request(request)
    return no_season(request) if season is None else table_response(request, bookings_table(_listed(request, season)))


@require_GET
def booking_list(request: HttpRequest) -> HttpResponse:
    viewer, season = viewer_of_request(request), season_of_request(request)
    if season is None:
        return no_season(request)
    listed, over = _listed(request, season), Q(state__in=ENDED_BOOKINGS)
    context = {
        "season": season,
        "open": Paginator(listed.exclude(over), ROWS_PER_PAGE).get_page(request.GET.get("page")),
        "ended": Paginator(listed.filter(over), ROWS_PER_PAGE).get_page(request.GET.get("ended_page")),
        "ended_open": "ended_page" in request.GET,
        "zone": viewer.cooperative.time_zone,
    }
    return render(request, "scheduling/bookings.html", context)


@require_GET
def booking_card(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    booking = get_object_or_404(bookings_with_facts(bookings_seen_by(viewer)), pk=pk)
    may = can_act_for(viewer, booking.member)
    context = {
        "booking": booking,
        "queue": queue_words(booking),
        "offer": open_offer_of(booking),
        "may_answer": may,
        "outlook": outlook_of(booking),
        "places": list(booking.bench_places.all()),
        "accepted": [_shown(row) for row in booking.accepted.all()],
        "history": history_rows(history_of_booking(booking)[:40]),
        "can_withdraw": may and booking.state in CAN_WITHDRAW,
        "zone": viewer.cooperative.time_zone,
    }
    return render(request, "scheduling/booking.html", context)


def _shown(row: BookingSource) -> dict[str, Any]:
    """Shares as per cents, a dash where nothing was predicted."""
    return {"row": row, "inbreeding": percent(row.inbreeding, 1), "viability": percent(row.viability)}


@require_http_methods(["GET", "POST"])
def booking_take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Asked first, because given places go to others at once."""
    viewer = viewer_of_request(request)
    booking = get_object_or_404(bookings_with_facts(bookings_seen_by(viewer)), pk=pk)
    require(can_act_for(viewer, booking.member), _("Only %(member)s can withdraw it.") % {"member": booking.member})
    form = OptionalReasonForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: booking_withdraw(booking, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        messages.success(request, _("Withdrawn: %(booking)s.") % {"booking": booking})
        return redirect("scheduling:booking", pk)
    places = booking.bench_places.all()
    return render(request, "scheduling/booking_withdraw.html", {"booking": booking, "form": form, "places": places})


def _batch(request: HttpRequest, data: QueryDict | None = None) -> BatchView | None:
    """The batch named in the address: 404 for strangers, 403 for those who may only look, None when none is named."""
    named = (data if data is not None else request.GET).get("batch", "")
    if not named.isdigit():
        return None
    viewer = viewer_of_request(request)
    batch = get_object_or_404(batches_seen_by(viewer).select_related("season__cooperative", *ON_CARDS), pk=int(named))
    text = _("%(batch)s belongs to %(member)s.") % {"batch": batch, "member": batch.member}
    require(can_act_for(viewer, batch.member), text)
    return batch_view(with_facts([batch])[0], today=now_of(request).astimezone(zone_of_batch(batch)).date())


def _sources(view: BatchView, data: QueryDict) -> list[DroneSource]:
    named = [int(pk) for pk in data.getlist("source") if pk.isdigit()]
    return list(DroneSource.objects.filter(season=view.batch.season, pk__in=named).order_by("letter"))


def _back_to_drones(view: BatchView | None, data: QueryDict) -> HttpResponseRedirect:
    if view is None:
        return redirect("scheduling:book")
    return redirect(f"{reverse('scheduling:book_drones')}?{_address(data)}")


def _address(data: QueryDict) -> str:
    kept = [(name, value) for name in ("batch", "queens", "mode", "dose") if (value := data.get(name))]
    return urlencode([*kept, *(("source", value) for value in data.getlist("source"))])


def _number(text: str | None, *, most: int) -> int:
    """How many queens: as asked, never more than are left; all of them when nothing was asked."""
    return min(int(text), most) if text and text.isdigit() and int(text) > 0 else most


def _tenths(text: str | None, *, usual: int) -> int:
    """The dose of the address for working out the options; nonsense in it is refused by the form, not here."""
    try:
        return tenths_from_ul(text) if text else usual
    except ValueError:
        return usual
