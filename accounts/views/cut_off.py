"""An address whose end somebody cut off leads on; the page that it leads to decides who may see it."""

from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from accounts.views.shared import without_cooperative


@login_not_required
@without_cooperative
@require_safe
def lead_to(request: HttpRequest, to: str, **_rest: Any) -> HttpResponse:
    return redirect(to)


@login_not_required
@without_cooperative
@require_safe
def lead_up(request: HttpRequest, up: int, **_rest: Any) -> HttpResponse:
    """To the same address without its last `up` parts."""
    return redirect("/".join(request.path.rstrip("/").split("/")[:-up]) + "/")
