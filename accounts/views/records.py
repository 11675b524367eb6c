"""What was done, and what was mailed."""

from typing import Any

from django.conf import settings
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from accounts.access import Viewer, can_read_all_mail, can_see_history, can_see_whole_history, require
from accounts.http import viewer_of_request
from accounts.models import AuditEntry
from accounts.queries.history import history_of_cooperative, history_of_thing, history_rows, history_table, thing_words
from accounts.queries.mail import mails_seen_by
from accounts.tables import table_streamed

ROWS_A_PAGE = 50


@require_safe
def history(request: HttpRequest, subject_type: str = "", subject_id: int = 0) -> HttpResponse:
    """Of the whole cooperative, or of one thing."""
    viewer = viewer_of_request(request)
    page = Paginator(_entries(viewer, subject_type, subject_id), ROWS_A_PAGE).get_page(request.GET.get("page"))
    rows = history_rows(page)
    if subject_type and not rows and can_see_whole_history(viewer):
        raise Http404
    context: dict[str, Any] = {"page": page, "rows": rows, "whole": not subject_type}
    if subject_type:
        context["subject"] = rows[0].subject if rows else thing_words(subject_type)
        context["table_url"] = reverse("accounts:history_csv", args=[subject_type, subject_id])
    else:
        context["table_url"] = reverse("accounts:history_csv")
    return render(request, "accounts/history.html", context)


@never_cache
@require_safe
def history_csv(request: HttpRequest, subject_type: str = "", subject_id: int = 0) -> StreamingHttpResponse:
    """All pages of the same, as a table file."""
    viewer = viewer_of_request(request)
    entries = _entries(viewer, subject_type, subject_id)
    if subject_type and can_see_whole_history(viewer) and not entries.exists():
        raise Http404
    name = f"history-{subject_type.replace('.', '-')}-{subject_id}" if subject_type else "history"
    return table_streamed(request, history_table(name, entries))


def _entries(viewer: Viewer, subject_type: str, subject_id: int) -> QuerySet[AuditEntry]:
    """What the viewer may not see does not exist for them."""
    if not subject_type:
        require(can_see_whole_history(viewer), _("The coordinator sees everything that was done in the cooperative."))
        return history_of_cooperative(viewer)
    if not can_see_history(viewer, subject_type, subject_id):
        raise Http404
    return history_of_thing(viewer, subject_type, subject_id)


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
