"""Figures for whoever watches the machine, in the format of Prometheus. Off unless a key is set.

Each web process counts its own requests; files that the processes of one parent share add them up, whichever of them
is asked. What the rows say is read when it is asked for.
"""

import os
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured, MiddlewareNotUsed
from django.http import HttpRequest, HttpResponse

# The library decides at its import whether processes share: the folder is that of one start of one parent.
if settings.METRICS_KEY:
    folder = Path(tempfile.gettempdir()) / f"broodtide-metrics-{os.getuid()}-{os.getppid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.stat().st_uid != os.getuid():
        raise ImproperlyConfigured(f"{folder} is somebody else's. Remove it, then start anew.")
    os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", str(folder))

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from prometheus_client.values import MutexValue, ValueClass

from scheduling.queries.gauges import Gauge

REQUESTS = Histogram(
    "broodtide_request_seconds",
    "Time to answer a request.",
    ["route", "method", "status"],
    buckets=(0.01, 0.025, 0.05, 0.1, 0.15, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0),
)
KNOWN_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}


class RequestMetricsMiddleware:
    """Counts by route, never by address: the number of names stays small, and nobody's things are among them."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        if not settings.METRICS_KEY:
            raise MiddlewareNotUsed
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        began = time.perf_counter()
        response = self.get_response(request)
        route = request.resolver_match.view_name if request.resolver_match else ""
        method = request.method if request.method in KNOWN_METHODS else "other"
        REQUESTS.labels(route or "none", method, str(response.status_code)).observe(time.perf_counter() - began)
        return response


class _Rows(Collector):
    def __init__(self, gauges: Iterable[Gauge]) -> None:
        self.gauges = gauges

    def collect(self) -> Iterable[GaugeMetricFamily]:
        for gauge in self.gauges:
            family = GaugeMetricFamily(gauge.name, gauge.help, labels=gauge.labels)
            for labels, value in gauge.values:
                family.add_metric(labels, value)
            yield family


def metrics_text(gauges: Iterable[Gauge]) -> bytes:
    """All figures as text (version 0.0.4 of the format)."""
    registry = CollectorRegistry()
    if ValueClass is MutexValue:  # a process that shares with nobody
        registry.register(REQUESTS)
    else:
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    registry.register(_Rows(gauges))
    return bytes(generate_latest(registry))
