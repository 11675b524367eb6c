"""Figures for whoever watches the machine."""

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.utils.crypto import constant_time_compare
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from accounts.http import now_of
from scheduling.queries.gauges import gauges

TEXT = "text/plain; version=0.0.4; charset=utf-8"


@never_cache
@require_safe
@login_not_required
def metrics(request: HttpRequest) -> HttpResponse:
    """For whoever knows the key, and to nobody else a page that exists."""
    wanted = f"Bearer {settings.METRICS_KEY}"
    if not settings.METRICS_KEY or not constant_time_compare(request.headers.get("Authorization", ""), wanted):
        raise Http404
    from config.metrics import metrics_text  # wiring of the web process, which others never load

    return HttpResponse(
        metrics_text(gauges(now=now_of(request))), content_type="text/plain; version=0.0.4; charset=utf-8"
    )
