"""The calendar that other programs fetch: the page about its links, and the file behind them."""

import hashlib
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseNotModified
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.cache import patch_cache_control
from django.utils.http import parse_etags
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_work_bench, require
from accounts.http import now_of, viewer_of_request
from accounts.services.slowdown import Bucket, slowdown_take
from accounts.views.shared import address_of
from scheduling.models import Bench, CalendarFeed
from scheduling.queries.feeds import benches_of_feeds, feed_rows, feeds_of
from scheduling.services.feeds import feed_end, feed_fetch, feed_make, feed_of_token

FREE_WRONG = 20


@never_cache
@require_http_methods(["GET", "HEAD"])
def feeds(request: HttpRequest) -> HttpResponse:
    return _page(request)


@never_cache
@require_POST
def make(request: HttpRequest) -> HttpResponse:
    """Make or renew one's own; the answer is the one page that ever shows the link."""
    return _made(request, None)


@never_cache
@require_POST
def make_bench(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    bench = get_object_or_404(Bench, cooperative=viewer.cooperative, pk=pk)
    require(can_work_bench(viewer), _("The calendar of a bench is for those who work there."))
    return _made(request, bench)


@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    feed = get_object_or_404(feeds_of(viewer), pk=pk)
    feed_end(feed, by=viewer.person, now=now_of(request))
    messages.success(request, _("The link works no more. Programs that had it show what they last fetched."))
    return redirect("scheduling:feeds")


@login_not_required
@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponse:
    """For calendar programs: no sign-in, the link is the key."""
    now = now_of(request)
    found = feed_of_token(token)
    if found is None:
        seconds = slowdown_take([Bucket("feed", address_of(request), FREE_WRONG)], now=now)
        if seconds:
            answer = HttpResponse(_("Too many wrong links. Wait a little."), status=429, content_type="text/plain")
            answer["Retry-After"] = str(seconds)
            return answer
        raise Http404
    body = feed_fetch(*found, now=now)
    etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    known = parse_etags(request.headers.get("If-None-Match", ""))
    same = "*" in known or etag in [one.removeprefix("W/") for one in known]
    answer = HttpResponseNotModified() if same else HttpResponse(body, content_type="text/calendar; charset=utf-8")
    answer["ETag"] = etag
    patch_cache_control(answer, private=True, no_cache=True)
    answer["X-Robots-Tag"] = "noindex"
    if not same:
        answer["Content-Disposition"] = 'inline; filename="broodtide.ics"'
    return answer


def _made(request: HttpRequest, bench: Bench | None) -> HttpResponse:
    made, token = feed_make(viewer_of_request(request), bench=bench, now=now_of(request))
    return _page(request, made=made, url=settings.SITE_URL.rstrip("/") + reverse("scheduling:feed", args=[token]))


def _page(request: HttpRequest, *, made: CalendarFeed | None = None, url: str = "") -> HttpResponse:
    viewer = viewer_of_request(request)
    return render(
        request,
        "scheduling/feeds.html",
        {
            "rows": feed_rows(viewer, benches_of_feeds(viewer)),
            "made": made,
            "url": url,
            "webcal": "webcal://" + urlsplit(url).netloc + urlsplit(url).path if url else "",
        },
    )
