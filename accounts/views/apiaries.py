"""Apiaries: one's own; all of the cooperative for the coordinator."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_act_for, require
from accounts.forms.apiaries import ApiaryAddForm, ApiaryForm, CloseForm
from accounts.http import now_of, today_of, tried, viewer_of_request
from accounts.models import Apiary
from accounts.queries.people import apiaries_seen_by, members_acted_for_by
from accounts.services.apiaries import FIELDS, apiary_add, apiary_change, apiary_close, apiary_reopen

APIARIES_A_PAGE = 60


def apiary_or_404(request: HttpRequest, pk: int) -> Apiary:
    apiary: Apiary = get_object_or_404(apiaries_seen_by(viewer_of_request(request)), pk=pk)
    return apiary


@require_safe
def apiary_list(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    apiaries = apiaries_seen_by(viewer)
    page = Paginator(apiaries, APIARIES_A_PAGE).get_page(request.GET.get("page"))
    counted = apiaries.order_by().aggregate(
        open=Count("pk", filter=Q(closed_on=None)), members=Count("member", distinct=True)
    )
    return render(
        request,
        "accounts/apiaries.html",
        {
            "page": page,
            "apiaries": page.object_list,
            "open": counted["open"],
            "with_member": counted["members"] > 1,
            "may_add": members_acted_for_by(viewer).exists(),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def apiary_new(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(members_acted_for_by(viewer).exists(), _("You act for no member, so there is nobody to add an apiary for."))
    form = ApiaryAddForm(request.POST or None, viewer=viewer)
    if request.method == "POST" and form.is_valid():
        values = {"member": form.only_member, **form.cleaned_data}
        require(can_act_for(viewer, values["member"]), _("You do not act for this member."))
        added = tried(form, lambda: apiary_add(**values, by=viewer.person, now=now_of(request)))
        if added is not None:
            messages.success(request, _("%(apiary)s is added. Colonies can be added to it now.") % {"apiary": added})
            return redirect("accounts:apiaries")
    return render(request, "accounts/apiary_new.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
def apiary(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = apiary_or_404(request, pk)
    form = ApiaryForm(request.POST or None, initial={name: getattr(shown, name) for name in FIELDS})
    if request.method == "POST" and form.is_valid():
        done = tried(form, lambda: apiary_change(shown, **form.cleaned_data, by=viewer.person, now=now_of(request)))
        if done is not None:
            messages.success(request, _("%(apiary)s is kept as you wrote it.") % {"apiary": done})
            return redirect("accounts:apiaries")
    return render(request, "accounts/apiary.html", {"form": form, "apiary": shown})


@require_http_methods(["GET", "HEAD", "POST"])
def apiary_end(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = apiary_or_404(request, pk)
    form = CloseForm(request.POST or None, initial={"closed_on": today_of(request)})
    if request.method == "POST" and form.is_valid():
        done = tried(form, lambda: apiary_close(shown, **form.cleaned_data, by=viewer.person, now=now_of(request)))
        if done is not None:
            messages.success(request, _("%(apiary)s is closed.") % {"apiary": done})
            return redirect("accounts:apiaries")
    return render(request, "accounts/apiary_close.html", {"form": form, "apiary": shown})


@require_POST
def apiary_open_again(request: HttpRequest, pk: int) -> HttpResponse:
    shown = apiary_or_404(request, pk)
    apiary_reopen(shown, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("%(apiary)s is open again.") % {"apiary": shown})
    return redirect("accounts:apiaries")
