"""Requests: who wants what, and what is missing?"""

import datetime as dt
from dataclasses import dataclass

from django.core.paginator import Paginator
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_safe

from accounts.access import can_plan, require
from accounts.http import today_of, viewer_of_request
from accounts.tables import table_response
from scheduling.models import Booking
from scheduling.queries.batches import batch_calendars
from scheduling.queries.booking_tables import bookings_table
from scheduling.queries.season import season_in_force
from scheduling.queries.season_tables import requests_listed, requests_with_facts
from scheduling.views.common import no_season

ROWS_PER_PAGE = 50
COORDINATOR_ONLY = gettext_lazy("Requests are the coordinator's page. Yours stand in your bookings.")


@dataclass(frozen=True)
class RequestRow:
    booking: Booking
    opens_on: dt.date
    last_on: dt.date


@require_GET
def request_list(request: HttpRequest) -> HttpResponse:
    viewer, today = viewer_of_request(request), today_of(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    season = season_in_force(viewer.cooperative, today=today)
    bookings = requests_listed(season)
    pages = Paginator(bookings.select_related("batch", "member").prefetch_related("accepted__source"), ROWS_PER_PAGE)
    shown = pages.get_page(request.GET.get("page"))
    rows: list[RequestRow] = []
    if season is not None:
        batches = season.batches.filter(pk__in={booking.batch_id for booking in shown})
        windows = {view.batch.pk: view.calendar.window for view in batch_calendars(batches, season=season, today=today)}
        rows = [
            RequestRow(booking, windows[booking.batch_id].opens_on, windows[booking.batch_id].last_on)
            for booking in shown
        ]
    waits = bookings.filter(state__in=["asked", "queued", "offered"])
    waiting = waits.aggregate(queens=Sum("queens"))["queens"] or 0
    finding = (
        ngettext("%(n)d queen waits for a place", "%(n)d queens wait for a place", waiting) % {"n": waiting}
        if waiting
        else _("No queen waits for a place")
    )
    return render(request, "scheduling/requests.html", {"rows": rows, "page": shown, "finding": finding})


@require_safe
def requests_csv(request: HttpRequest) -> HttpResponse:
    """All pages of the list, as a table file."""
    viewer = viewer_of_request(request)
    require(can_plan(viewer), COORDINATOR_ONLY)
    season = season_in_force(viewer.cooperative, today=today_of(request))
    if season is None:
        return no_season(request)
    return table_response(request, bookings_table(requests_with_facts(season), "requests"))
