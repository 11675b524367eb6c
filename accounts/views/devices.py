"""Which devices take messages for oneself."""

import json

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.forms.devices import DeviceForm
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import PushDevice
from accounts.push import is_set_up, public_key
from accounts.services.devices import device_add, device_end, device_test

MOST_BYTES = 8192


@require_http_methods(["GET", "HEAD"])
def devices(request: HttpRequest) -> HttpResponse:
    context = {
        "devices": _own(request).filter(ended_at=None),
        "ended": _own(request).filter(ended_at__isnull=False).order_by("-ended_at")[:5],
        "public_key": public_key() if is_set_up() else "",
    }
    return render(request, "accounts/devices.html", context)


@require_POST
def add(request: HttpRequest) -> HttpResponse:
    """What the browser's own subscription says, as JSON. Asked by the page's script alone."""
    form = DeviceForm(_fields(request))
    viewer = viewer_of_request(request)
    if form.is_valid():
        made = tried(
            form,
            lambda: device_add(viewer.person, **form.cleaned_data, cooperative=viewer.cooperative, now=now_of(request)),
        )
        if made is not None:
            return JsonResponse({"id": made.pk, "name": made.name})
    problem = " ".join(str(error) for errors in form.errors.values() for error in errors)
    return JsonResponse({"problem": problem}, status=422)


@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    device, viewer = get_object_or_404(_own(request), pk=pk), viewer_of_request(request)
    device_end(device, by=viewer.person, cooperative=viewer.cooperative, now=now_of(request))
    messages.success(request, _("%(device)s gets no more messages.") % {"device": device.name})
    return redirect("accounts:devices")


@require_POST
def test(request: HttpRequest, pk: int) -> HttpResponse:
    device = get_object_or_404(_own(request).filter(ended_at=None), pk=pk)

    def send() -> bool:
        device_test(device, now=now_of(request))
        return True

    if tried_with_message(request, send):
        messages.success(request, _("Sent to %(device)s. It comes within a minute.") % {"device": device.name})
    return redirect("accounts:devices")


def _own(request: HttpRequest) -> QuerySet[PushDevice]:
    """One's own; nobody else's, whatever they are."""
    return PushDevice.objects.filter(person=viewer_of_request(request).person)


def _fields(request: HttpRequest) -> dict[str, str]:
    """Endpoint and keys out of what `PushSubscription.toJSON()` gives; nothing where it is something else."""
    if len(request.body) > MOST_BYTES:
        return {}
    try:
        said = json.loads(request.body)
        keys = said["subscription"]["keys"]
        found = {
            "endpoint": said["subscription"]["endpoint"], "p256dh": keys["p256dh"], "auth": keys["auth"],
            "name": said.get("name", ""),
        }  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}
    return {key: value for key, value in found.items() if isinstance(value, str)}
