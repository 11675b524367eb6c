"""The site's one service worker, at its root: which files make up this release, and the modules that use them."""

import hashlib
import json

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles.storage import staticfiles_storage
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

#: What the pages that open without a network are made of.
SHELL = (
    "css/broodtide.css",
    "css/bench.css",
    "css/sheet.css",
    "js/look-first.js",
    "js/look.js",
    "js/menu.js",
    "js/stepper.js",
    "js/toast.js",
    "js/form.js",
    "js/draft.js",
    "js/tables.js",
    "js/co2-clock.js",
    "js/bench-keys.js",
    "js/register.js",
    "js/search.js",
    "js/named.js",
    "js/offline/clock.js",
    "js/offline/device.js",
    "js/offline/page.js",
    "js/offline/refuse.js",
    "js/offline/sheet.js",
    "js/offline/send.js",
    "js/offline/sent.js",
    "js/offline/store.js",
    "js/bench/app.js",
    "js/bench/capillary.js",
    "js/bench/reduce.js",
    "js/bench/rules.js",
    "js/bench/view.js",
    "js/bench/what-now.js",
    "django_htmx/htmx-2.min.js",
    "icons.svg",
    "icon.svg",
    "vendor/fonts/public-sans-latin-wght-normal.woff2",
    "vendor/fonts/bitter-latin-wght-normal.woff2",
    "vendor/fonts/atkinson-hyperlegible-mono-latin-wght-normal.woff2",
)
#: The page that stands in for one that was never seen on this device.
AWAY = "away"
#: Scripts of the worker itself, in order.
MODULES = ("js/worker/offline.js", "js/worker/push.js")


@require_GET
@login_not_required
def worker(request: HttpRequest) -> HttpResponse:
    """A few lines that name the release; they change when any of its files does, and so the worker is renewed."""
    shell = [staticfiles_storage.url(name) for name in SHELL]
    modules = [staticfiles_storage.url(name) for name in MODULES]
    release = hashlib.sha256("\n".join([*shell, *modules]).encode()).hexdigest()[:12]
    lines = [
        f"self.BROODTIDE = {json.dumps({'release': release, 'shell': shell, 'away': reverse(AWAY)})};",
        f"importScripts({', '.join(json.dumps(url) for url in modules)});",
    ]
    answer = HttpResponse("\n".join(lines) + "\n", content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    return answer


@require_GET
@login_not_required
def away(request: HttpRequest) -> HttpResponse:
    """Stands in for a page that a device never saw, when there is no signal."""
    return render(request, "away.html")
