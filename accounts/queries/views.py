"""Views that a person saved."""

from django.db.models import QuerySet

from accounts.access import Viewer
from accounts.models import SavedView


def views_saved_by(viewer: Viewer) -> QuerySet[SavedView]:
    """The person's own, those removed too: an undo brings them back."""
    return SavedView.objects.filter(person=viewer.person, cooperative=viewer.cooperative)


def views_of_page(viewer: Viewer, page: str) -> QuerySet[SavedView]:
    return views_saved_by(viewer).filter(page=page, removed_at__isnull=True)
