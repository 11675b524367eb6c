"""Saving a view of a page, removing it, and taking that back."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from accounts.forms.views import ViewForm
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import SavedView
from accounts.queries.views import views_saved_by
from accounts.saved_views import PAGES, address_of_view
from accounts.services.views import view_remove, view_restore, view_save


@require_POST
def save(request: HttpRequest) -> HttpResponse:
    """The way back is the page as it was chosen, with what is wrong said there."""
    viewer, form = viewer_of_request(request), ViewForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        view = tried(form, lambda: view_save(viewer, **data, now=now_of(request)))
        if view is not None:
            undo = reverse("accounts:view_remove", args=[view.pk])
            messages.success(request, _("“%(view)s” is saved.") % {"view": view}, extra_tags=f"undo:{undo}")
            return redirect(address_of_view(view.page, view.query))
    for said in [*form.errors.get("name", []), *form.non_field_errors()]:
        messages.error(request, str(said))
    page = request.POST.get("page", "")
    return redirect(address_of_view(page, request.POST.get("query", "")) if page in PAGES else "today")


@require_POST
def remove(request: HttpRequest, pk: int) -> HttpResponse:
    view = _view(request, pk)
    view_remove(view, by=viewer_of_request(request).person, now=now_of(request))
    undo = reverse("accounts:view_restore", args=[view.pk])
    messages.success(request, _("“%(view)s” is removed.") % {"view": view}, extra_tags=f"undo:{undo}")
    return redirect(address_of_view(view.page, view.query))


@require_POST
def restore(request: HttpRequest, pk: int) -> HttpResponse:
    view, by = _view(request, pk), viewer_of_request(request).person
    if tried_with_message(request, lambda: view_restore(view, by=by, now=now_of(request))):
        messages.success(request, _("“%(view)s” is back.") % {"view": view})
    return redirect(address_of_view(view.page, view.query))


def _view(request: HttpRequest, pk: int) -> SavedView:
    view: SavedView = get_object_or_404(views_saved_by(viewer_of_request(request)), pk=pk)
    return view
