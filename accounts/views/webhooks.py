"""Addresses that are told of what is done, for the cooperative's coordinators."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts.access import can_manage_people, require
from accounts.forms.webhooks import WebhookForm, event_words
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Webhook, WebhookDelivery
from accounts.services.webhooks import (
    delivery_again,
    webhook_add,
    webhook_change,
    webhook_end,
    webhook_renew_secret,
    webhook_switch,
    webhook_test,
)

SHOWN = 50


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def webhooks(request: HttpRequest) -> HttpResponse:
    _require(request)
    viewer = viewer_of_request(request)
    form = WebhookForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        given, now = form.cleaned_data, now_of(request)
        made = tried(form, lambda: webhook_add(viewer.cooperative, **given, by=viewer.person, now=now))
        if made is not None:
            return _page(request, made[0], secret=made[1])
    rows = Webhook.objects.filter(cooperative=viewer.cooperative, ended_at=None)
    status = 422 if form.errors else 200
    return render(request, "accounts/webhooks.html", {"form": form, "rows": rows}, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def webhook(request: HttpRequest, pk: int) -> HttpResponse:
    """The answer that holds a secret is the only page that ever shows it."""
    shown = _load(request, pk)
    form = WebhookForm(request.POST or None, initial=_initial(shown))
    if request.method == "POST" and form.is_valid():
        by, now = viewer_of_request(request).person, now_of(request)
        done = tried(form, lambda: webhook_change(shown, **form.cleaned_data, by=by, now=now))
        if done is not None:
            return _page(request, done[0], secret=done[1])
    return _page(request, shown, form=form)


@never_cache
@require_POST
def secret(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _load(request, pk)
    made = webhook_renew_secret(shown, by=viewer_of_request(request).person, now=now_of(request))
    return _page(request, shown, secret=made)


@require_POST
def switch(request: HttpRequest, pk: int) -> HttpResponse:
    on = request.POST.get("on") == "1"
    webhook_switch(_load(request, pk), on=on, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("It is told again.") if on else _("It is told nothing any more."))
    return redirect("accounts:webhook", pk=pk)


@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _load(request, pk)
    webhook_end(shown, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("%(name)s is told nothing any more.") % {"name": shown.name})
    return redirect("accounts:webhooks")


@require_POST
def test(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _load(request, pk)
    return _sent(request, pk, lambda: webhook_test(shown, now=now_of(request)))


@require_POST
def again(request: HttpRequest, pk: int, delivery_pk: int) -> HttpResponse:
    row = get_object_or_404(WebhookDelivery, webhook=_load(request, pk), pk=delivery_pk)
    return _sent(request, pk, lambda: delivery_again(row, now=now_of(request)))


def _sent(request: HttpRequest, pk: int, send: Callable[[], Any]) -> HttpResponse:
    if tried_with_message(request, send) is not None:
        messages.success(request, _("It was taken."))
    return redirect("accounts:webhook", pk=pk)


def _require(request: HttpRequest) -> None:
    require(can_manage_people(viewer_of_request(request)), _("The coordinator sets up webhooks."))


def _load(request: HttpRequest, pk: int) -> Webhook:
    _require(request)
    here = viewer_of_request(request).cooperative
    return get_object_or_404(Webhook.objects.select_related("cooperative"), cooperative=here, pk=pk, ended_at=None)


def _initial(shown: Webhook) -> dict[str, Any]:
    return {"name": shown.name, "url": shown.url, "events": shown.events}


def _page(request: HttpRequest, shown: Webhook, *, form: WebhookForm | None = None, secret: str = "") -> HttpResponse:
    form = form or WebhookForm(initial=_initial(shown))
    rows = [(row, event_words(row.event)) for row in shown.deliveries.order_by("-pk")[:SHOWN]]
    context = {"webhook": shown, "form": form, "secret": secret, "rows": rows, "now": now_of(request)}
    return render(request, "accounts/webhook.html", context, status=422 if form.errors else 200)
