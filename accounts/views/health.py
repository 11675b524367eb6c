"""Is this process alive? Asked by machines, without a sign-in."""

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@never_cache
@require_safe
@login_not_required
def live(request: HttpRequest) -> HttpResponse:
    """Touches nothing: a slow database is no reason to restart the web process."""
    return HttpResponse("alive\n", content_type="text/plain")
