"""Requests: who wants what, and what is missing?"""

import datetime as dt
from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET

from accounts.access import can_plan, require
from accounts.http import today_of, viewer_of_request
from scheduling.models import Booking
from scheduling.queries.batches import batch_views
from scheduling.queries.season import season_in_force


@dataclass(frozen=True)
class RequestRow:
    booking: Booking
    opens_on: dt.date
    last_on: dt.date


@require_GET
def request_list(request: HttpRequest) -> HttpResponse:
    viewer, today = viewer_of_request(request), today_of(request)
    require(can_plan(viewer), gettext_lazy("Requests are the coordinator's page. Yours stand in your bookings."))
    season = season_in_force(viewer.cooperative, today=today)
    rows: list[RequestRow] = []
    if season is not None:
        bookings = (
            Booking.objects.filter(season=season)
            .exclude(state="not_sent")
            .select_related("batch", "member")
            .prefetch_related("accepted__source")
        )
        windows = {
            view.batch.pk: view.calendar.window
            for view in batch_views(season.batches.filter(bookings__in=bookings).distinct(), season=season, today=today)
        }
        rows = [
            RequestRow(booking, windows[booking.batch_id].opens_on, windows[booking.batch_id].last_on)
            for booking in bookings
        ]
    waiting = sum(row.booking.queens for row in rows if row.booking.state in {"asked", "queued", "offered"})
    finding = (
        ngettext("%(n)d queen waits for a place", "%(n)d queens wait for a place", waiting) % {"n": waiting}
        if waiting
        else _("No queen waits for a place")
    )
    return render(request, "scheduling/requests.html", {"rows": rows, "finding": finding})
