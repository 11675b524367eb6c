"""The cooperative's own way to text messages, for its coordinators."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts.access import can_manage_people, require
from accounts.forms.devices import GatewayForm
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Gateway
from accounts.queries.people import people_of
from accounts.services.gateways import gateway_of, gateway_off, gateway_renew_secret, gateway_set, gateway_test


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def gateway(request: HttpRequest) -> HttpResponse:
    _require(request)
    viewer = viewer_of_request(request)
    known = gateway_of(viewer.cooperative)
    form = GatewayForm(request.POST or None, initial={"url": known.url if known else ""})
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: gateway_set(
                viewer.cooperative, url=form.cleaned_data["url"], by=viewer.person, now=now_of(request)
            ),
        )
        if done is not None:
            return _page(request, form, secret=done[1])
    return _page(request, form)


@never_cache
@require_POST
def secret(request: HttpRequest) -> HttpResponse:
    gateway = _load(request)
    made = gateway_renew_secret(gateway, by=viewer_of_request(request).person, now=now_of(request))
    return _page(request, GatewayForm(initial={"url": gateway.url}), secret=made)


@require_POST
def off(request: HttpRequest) -> HttpResponse:
    gateway_off(_load(request), by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("No more text messages are sent."))
    return redirect("accounts:gateway")


@require_POST
def test(request: HttpRequest) -> HttpResponse:
    gateway = _load(request)
    person = viewer_of_request(request).person

    def send() -> bool:
        gateway_test(gateway, by=person, now=now_of(request))
        return True

    if tried_with_message(request, send):
        messages.success(request, _("The gateway took a message for %(phone)s.") % {"phone": person.phone})
    return redirect("accounts:gateway")


def _require(request: HttpRequest) -> None:
    require(can_manage_people(viewer_of_request(request)), _("The coordinator sets up text messages."))


def _load(request: HttpRequest) -> Gateway:
    _require(request)
    return get_object_or_404(Gateway, cooperative=viewer_of_request(request).cooperative)


def _page(request: HttpRequest, form: GatewayForm, *, secret: str = "") -> HttpResponse:
    viewer = viewer_of_request(request)
    people = people_of(viewer.cooperative).filter(is_active=True)
    context = {
        "form": form,
        "gateway": gateway_of(viewer.cooperative),
        "secret": secret,
        "without_phone": people.filter(phone="").count(),
        "people": people.count(),
    }
    return render(request, "accounts/gateway.html", context)
