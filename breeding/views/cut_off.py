"""Addresses that are left when somebody cuts the end off a longer one, where the way on depends on the thing."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_safe

from accounts.http import viewer_of_request
from breeding.queries.stock import scores_seen_by


@require_safe
def score(request: HttpRequest, pk: int) -> HttpResponse:
    """A score has no page of its own: it stands on its colony's."""
    found = get_object_or_404(scores_seen_by(viewer_of_request(request)), pk=pk)
    return redirect("breeding:colony", found.colony_id)
