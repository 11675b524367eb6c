"""Drone balance: will each source have enough ripe drones each bench day? One strip a source, never one sum."""

import datetime as dt

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET

from accounts.access import can_plan, require
from accounts.http import now_of, today_of, viewer_of_request
from accounts.templatetags.broodtide import source_colour
from scheduling.queries.balance import DAYS_SHOWN, BalanceRow, balance_of
from scheduling.queries.season import season_in_force
from scheduling.queries.words import day_words
from viz.balance import Day, Drawn, Need, Source, Words, draw_balance


@require_GET
def balance(request: HttpRequest) -> HttpResponse:
    viewer, today = viewer_of_request(request), today_of(request)
    require(can_plan(viewer), gettext_lazy("The drone balance is the coordinator's page."))
    season = season_in_force(viewer.cooperative, today=today)
    rows = balance_of(season, now=now_of(request)) if season else []
    short = [(row, day) for row in rows for day in row.days if day.missing]
    if not rows:
        finding = _("No drone source yet")
    elif not short:
        finding = _("Every source has enough ripe drones")
    else:
        row, day = short[0]
        finding = ngettext(
            "%(source)s is %(n)d drone short on %(day)s",
            "%(source)s is %(n)d drones short on %(day)s",
            day.missing,
        ) % {"source": row.view.source, "n": day.missing, "day": day.words}
    return render(request, "scheduling/balance.html", {"rows": rows, "finding": finding, "drawn": _drawn(rows, today)})


def _drawn(rows: list[BalanceRow], today: dt.date) -> Drawn | None:
    if not rows:
        return None
    sources = [
        Source(
            key=str(row.view.source.pk),
            letter=row.view.source.letter,
            name=row.view.source.name,
            number=source_colour(row.view.source.letter),
            days=tuple(Day(day, band.mean, band.low, band.high) for day, band in row.bands),
            needs=tuple(Need(day.session.day, day.called, day.ripe) for day in row.days if day.called),
        )
        for row in rows
    ]
    last = today + dt.timedelta(days=DAYS_SHOWN - 1)
    words = Words(
        caption=_("Drone balance"),
        needs=_("needs {needed} of {there}"),
        short=_("needs {needed}, short {short}"),
        nothing=_("nothing expected"),
        head=(_("Bench day"), _("Source"), _("Ripe"), _("Needed"), _("Spare")),
        short_cell=_("{short} short"),
        day=day_words,
    )
    return draw_balance(sources, first=today, last=last, today=today, uid="balance", words=words)
