"""A person keeps a choice of filters under a name, and removes it again."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.access import Viewer
from accounts.models import Person, SavedView
from accounts.queries.views import views_of_page
from accounts.refusals import Refusal
from accounts.saved_views import PAGES, query_kept
from accounts.services.audit import audit_record

MOST = 30  # on one page; a longer list is read no faster than the filters are set


def view_save(viewer: Viewer, *, page: str, name: str, query: str, now: dt.datetime) -> SavedView:
    """Keep what the address says. The same name again stands for the new choice; the old one is removed."""
    name, query = " ".join(name.split()), query_kept(query)
    if not name:
        raise Refusal(_("Give the view a name."), field="name")
    if page not in PAGES or len(query) > SavedView._meta.get_field("query").max_length:  # type: ignore[operator]
        raise Refusal(_("This page’s choice cannot be kept; it is too long or not one of ours."), field="name")
    with transaction.atomic():
        Person.objects.select_for_update(of=("self",)).get(pk=viewer.person.pk)
        known = list(views_of_page(viewer, page))
        same = next((view for view in known if view.name.casefold() == name.casefold()), None)
        if same is not None and (same.name, same.query) == (name, query):
            return same
        if same is None and len(known) >= MOST:
            raise Refusal(_("You have %(n)d views here. Remove one first.") % {"n": MOST}, field="name")
        if same is not None:
            _end(same, now)
        view = SavedView.objects.create(
            person=viewer.person, cooperative=viewer.cooperative, page=page, name=name, query=query, made_at=now
        )
        audit_record(
            view,
            action="view.save",
            by=viewer.person,
            now=now,
            cooperative=viewer.cooperative,
            before={"query": same.query} if same else {},
            after={"page": page, "query": query},
        )
    return view


def view_remove(view: SavedView, *, by: Person, now: dt.datetime) -> SavedView:
    if view.removed_at is not None:
        return view
    with transaction.atomic():
        _end(view, now)
        audit_record(
            view, action="view.remove", by=by, now=now, cooperative=view.cooperative, before={"query": view.query}
        )
    return view


def view_restore(view: SavedView, *, by: Person, now: dt.datetime) -> SavedView:
    """Take a removal back, unless another view has its name by now."""
    if view.removed_at is None:
        return view
    with transaction.atomic():
        Person.objects.select_for_update(of=("self",)).get(pk=view.person_id)
        namesakes = SavedView.objects.filter(
            person=view.person_id, cooperative=view.cooperative_id, page=view.page, name__iexact=view.name
        )
        if namesakes.filter(removed_at__isnull=True).exists():
            raise Refusal(_("There is a view of that name already: %(name)s.") % {"name": view.name})
        view.removed_at = None
        view.save(update_fields=["removed_at"])
        audit_record(
            view, action="view.restore", by=by, now=now, cooperative=view.cooperative, after={"query": view.query}
        )
    return view


def _end(view: SavedView, now: dt.datetime) -> None:
    view.removed_at = now
    view.save(update_fields=["removed_at"])
