"""Drone balance: will each source have enough ripe drones each bench day? One strip a source, never one sum."""

import datetime as dt
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET

from accounts.access import can_plan, require
from accounts.http import now_of, today_of, viewer_of_request
from accounts.templatetags.broodtide import day_month, source_colour
from scheduling.queries.balance import DAYS_SHOWN, BalanceRow, balance_of
from scheduling.queries.season import season_in_force, settings_of
from scheduling.queries.store import stored_lots
from scheduling.queries.words import day_words
from scheduling.views.yields import yield_words
from viz.balance import LEAST_PX, WIDE_PX, Day, Drawn, Need, Source, Words, draw_balance

SOURCES_SHOWN = 12


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
    page = Paginator(rows, SOURCES_SHOWN).get_page(request.GET.get("page"))
    shown = list(page)
    return render(
        request,
        "scheduling/balance.html",
        {
            "rows": shown,
            "page": page,
            "finding": finding,
            "strips": _strips(shown, today),
            "gives": [yield_words(row.view) for row in shown],
            "store": stored_lots(season, settings_of(season)) if season else [],
        },
    )


def _strips(rows: list[BalanceRow], today: dt.date) -> list[dict[str, Any]]:
    """The axis and each strip, as a wide page has room for its labels and as a phone has."""
    if not rows:
        return []
    wide, near = _drawn(rows, today, is_near=False), _drawn(rows, today, is_near=True)
    strips = [
        {"source": strip.source, "wide": strip.svg, "near": other.svg}
        for strip, other in zip(wide.strips, near.strips, strict=True)
    ]
    return [{"source": None, "wide": wide.axis, "near": near.axis}, *strips]


def _drawn(rows: list[BalanceRow], today: dt.date, *, is_near: bool) -> Drawn:
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
        needs=_("{needed} of {there}") if is_near else _("needs {needed} of {there}"),
        short=_("{needed}, short {short}") if is_near else _("needs {needed}, short {short}"),
        nothing=_("nothing expected"),
        head=(_("Bench day"), _("Source"), _("Ripe"), _("Needed"), _("Spare")),
        short_cell=_("{short} short"),
        day=day_words,
        tick=day_month,
    )
    uid, least_px = ("balance-near", LEAST_PX) if is_near else ("balance", WIDE_PX)
    return draw_balance(sources, first=today, last=last, today=today, uid=uid, words=words, least_px=least_px)
