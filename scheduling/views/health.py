"""Can this installation do its work? Asked by the proxy and by whoever watches the machine."""

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from accounts.http import now_of
from scheduling.queries.health import health_problems


@never_cache
@require_safe
@login_not_required
def ready(request: HttpRequest) -> HttpResponse:
    problems = health_problems(now=now_of(request))
    text = "\n".join(problems) if problems else "ready"
    return HttpResponse(text + "\n", status=503 if problems else 200, content_type="text/plain")
