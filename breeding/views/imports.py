"""Bringing in tables: upload, columns, preview, import, undo."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import Viewer, can_import, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.sheets.reading import notes_words
from accounts.tables import Table, table_response
from accounts.uploads import is_too_big
from breeding.forms.imports import MatchForm, UploadForm
from breeding.models import ImportState, TableImport
from breeding.queries.import_words import made_words, problem_rows, sample_rows
from breeding.queries.imports import imports_listed, imports_seen_by, same_file
from breeding.services.imports.importing import (
    import_commit_ask,
    import_match,
    import_set_aside,
    import_undo,
    import_upload,
    sheet_of,
)
from breeding.services.imports.kinds import Kind, kinds

PER_PAGE = 50
EARLIER_AT_MOST = 100


def _viewer(request: HttpRequest) -> Viewer:
    viewer = viewer_of_request(request)
    require(can_import(viewer), _("Only members, breeders and the coordinator bring in tables."))
    return viewer


def _kind(key: str) -> Kind:
    if key not in kinds():
        raise Http404
    return kinds()[key]


def _import(request: HttpRequest, pk: int) -> TableImport:
    found: TableImport = get_object_or_404(imports_seen_by(_viewer(request)), pk=pk)
    return found


@require_safe
def imports(request: HttpRequest) -> HttpResponse:
    viewer = _viewer(request)
    earlier = [(one, _kind_label(one)) for one in imports_listed(viewer)[:EARLIER_AT_MOST]]
    return render(request, "breeding/imports.html", {"kinds": list(kinds().values()), "earlier": earlier})


def _kind_label(imported: TableImport) -> str:
    kind = kinds().get(imported.kind)
    return str(kind.label) if kind is not None else imported.kind


@require_http_methods(["GET", "HEAD", "POST"])
def import_new(request: HttpRequest, kind: str) -> HttpResponse:
    viewer, wanted = _viewer(request), _kind(kind)
    is_sent = request.method == "POST"
    form = UploadForm(request.POST, request.FILES, too_big=is_too_big(request)) if is_sent else UploadForm()
    if is_sent and form.is_valid():
        made = tried(
            form,
            lambda: import_upload(
                viewer,
                kind=kind,
                file_name=form.cleaned_data["file"].name,
                content=form.content(),
                now=now_of(request),
            ),
        )
        if made is not None:
            return redirect("breeding:import", pk=made.pk)
    return render(request, "breeding/import_new.html", {"form": form, "kind": wanted})


@require_safe
def template(request: HttpRequest, kind: str) -> HttpResponse:
    """An empty table with the headings of the kind, in the language of whoever asks."""
    _viewer(request)
    wanted = _kind(kind)
    return table_response(request, Table(wanted.key, [column.label for column in wanted.columns], []))


@require_safe
def import_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Where it stands: being worked on, columns to match, preview, imported, undone."""
    imported = _import(request, pk)
    working = imported.job is not None and imported.job.is_open
    if not working and imported.state == ImportState.MATCHING:
        return redirect("breeding:import_columns", pk=pk)
    context = {
        "imported": imported,
        "kind": _kind(imported.kind),
        "job": imported.job,
        "working": working,
        "new": made_words(imported.preview.get("new", {})),
        "notes": notes_words(imported.preview.get("notes", [])),
        "same": same_file(imported),
    }
    if imported.state == ImportState.CHECKED and not working:
        context["page"] = Paginator(problem_rows(imported, _kind(imported.kind)), PER_PAGE).get_page(
            request.GET.get("page")
        )
        context["sample"] = sample_rows(imported, _kind(imported.kind), sheet_of(imported))
    return render(request, "breeding/import.html", context)


@require_safe
def import_steps(request: HttpRequest, pk: int) -> HttpResponse:
    """The fragment that the page asks for every 2 s; when the work has ended it calls for the whole page."""
    imported = _import(request, pk)
    working = imported.job is not None and imported.job.is_open
    context = {"imported": imported, "job": imported.job, "working": working}
    response = render(request, "breeding/import_steps.html", context)
    if not working:
        response["HX-Refresh"] = "true"
    return response


@require_http_methods(["GET", "HEAD", "POST"])
def columns(request: HttpRequest, pk: int) -> HttpResponse:
    imported = _import(request, pk)
    if not imported.sheet or (imported.job is not None and imported.job.is_open):
        return redirect("breeding:import", pk=pk)
    viewer, kind, sheet = viewer_of_request(request), _kind(imported.kind), sheet_of(imported)
    form = MatchForm(request.POST or None, kind=kind, sheet=sheet, imported=imported, viewer=viewer)
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: import_match(
                imported,
                matched=form.matched(),
                member=form.cleaned_data.get("for_member"),
                day_order=form.cleaned_data["day_order"],
                viewer=viewer,
                now=now_of(request),
            ),
        )
        if done is not None:
            return redirect("breeding:import", pk=pk)
    used = set(imported.matched.values())
    context = {
        "imported": imported,
        "kind": kind,
        "form": form,
        "left_out": [name for number, name in enumerate(sheet.head) if name and number not in used],
        "notes": notes_words(sheet.notes),
        "same": same_file(imported),
    }
    return render(request, "breeding/import_columns.html", context)


@require_safe
def problems(request: HttpRequest, pk: int) -> HttpResponse:
    """Everything that is wrong, as a file to work through beside the table."""
    imported = _import(request, pk)
    head = [_("Line"), _("Column"), _("What is so")]
    rows = [(line, column, str(said)) for line, column, said in problem_rows(imported, _kind(imported.kind))]
    return table_response(request, Table(f"problems-{pk}", head, rows))


@require_POST
def recheck(request: HttpRequest, pk: int) -> HttpResponse:
    imported, viewer = _import(request, pk), viewer_of_request(request)
    if imported.state == ImportState.CHECKED:
        tried_with_message(
            request,
            lambda: import_match(
                imported,
                matched=imported.matched,
                member=imported.member,
                day_order=imported.day_order,
                viewer=viewer,
                now=now_of(request),
            ),
        )
    return redirect("breeding:import", pk=pk)


@require_POST
def commit(request: HttpRequest, pk: int) -> HttpResponse:
    imported, viewer = _import(request, pk), viewer_of_request(request)
    seen = request.POST.get("seen", "")
    done = tried_with_message(
        request,
        lambda: import_commit_ask(
            imported,
            seen=int(seen) if seen.isdecimal() and len(seen) < 10 else 0,
            viewer=viewer,
            now=now_of(request),
        ),
    )
    if done is not None and done.state == ImportState.DONE:
        number = sum(done.preview.get("new", {}).values())
        text = ngettext("%(number)s new entry.", "%(number)s new entries.", number) % {"number": number}
        messages.success(request, text, extra_tags=f"undo:{reverse('breeding:import_undo', args=[pk])}")
    return redirect("breeding:import", pk=pk)


@require_POST
def undo(request: HttpRequest, pk: int) -> HttpResponse:
    imported, viewer = _import(request, pk), viewer_of_request(request)
    if tried_with_message(request, lambda: import_undo(imported, viewer=viewer, now=now_of(request))):
        messages.success(request, _("The whole import is undone."))
    return redirect("breeding:import", pk=pk)


@require_POST
def set_aside(request: HttpRequest, pk: int) -> HttpResponse:
    imported, viewer = _import(request, pk), viewer_of_request(request)
    if tried_with_message(request, lambda: import_set_aside(imported, viewer=viewer, now=now_of(request))) is None:
        return redirect("breeding:import", pk=pk)
    messages.success(request, _("The file is dropped; nothing was imported."))
    return redirect("breeding:imports")
