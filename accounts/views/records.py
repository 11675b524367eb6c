"""What was done, and what was mailed."""

from django.conf import settings
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.access import can_read_all_mail, can_see_history, can_see_whole_history, require
from accounts.http import viewer_of_request
from accounts.queries.history import history_of_cooperative, history_of_thing, history_rows, thing_words
from accounts.queries.mail import mails_seen_by

ROWS_A_PAGE = 50


@require_safe
def history(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_see_whole_history(viewer), _("The coordinator sees everything that was done in the cooperative."))
    page = Paginator(history_of_cooperative(viewer), ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(request, "accounts/history.html", {"page": page, "rows": history_rows(page), "whole": True})


@require_safe
def history_of(request: HttpRequest, subject_type: str, subject_id: int) -> HttpResponse:
    """Of one thing. What the viewer may not see does not exist for them."""
    viewer = viewer_of_request(request)
    if not can_see_history(viewer, subject_type, subject_id):
        raise Http404
    entries = history_of_thing(viewer, subject_type, subject_id)
    page = Paginator(entries, ROWS_A_PAGE).get_page(request.GET.get("page"))
    rows = history_rows(page)
    if not rows and can_see_whole_history(viewer):
        raise Http404
    return render(
        request,
        "accounts/history.html",
        {"page": page, "rows": rows, "subject": rows[0].subject if rows else thing_words(subject_type)},
    )


@require_safe
def mail_list(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    page = Paginator(mails_seen_by(viewer), ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "accounts/mail.html",
        {
            "page": page,
            "everybodys": can_read_all_mail(viewer),
            "kept": settings.EMAIL_BACKEND == "accounts.mail.KeptMailBackend",
            "address": viewer.person.email,
        },
    )


@require_safe
def mail_read(request: HttpRequest, pk: int) -> HttpResponse:
    kept = get_object_or_404(mails_seen_by(viewer_of_request(request)), pk=pk)
    return render(request, "accounts/mail_read.html", {"mail": kept})
