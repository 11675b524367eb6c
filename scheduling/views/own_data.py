"""Everything of mine: what the cooperative keeps of oneself, to take away."""

import tempfile

from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from accounts.http import now_of, viewer_of_request
from accounts.queries.people import members_seen_by
from scheduling.services.own_data import own_data_take

IN_MEMORY_BYTES = 2_000_000


@require_safe
def own_data(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    members = members_seen_by(viewer).filter(pk__in=viewer.member_ids).order_by("name")
    return render(request, "scheduling/own_data.html", {"members": members})


@never_cache
@require_POST
def own_data_file(request: HttpRequest) -> FileResponse:
    now = now_of(request)
    # The answer closes it when it is sent.
    file = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115
    own_data_take(viewer_of_request(request), file, now=now)  # type: ignore[arg-type]
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename=f"everything-{now:%Y-%m-%d}.zip")
