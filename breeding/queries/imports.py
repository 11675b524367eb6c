"""Imports as a viewer may see them: one's own; the coordinator all."""

from django.db.models import QuerySet

from accounts.access import Viewer
from breeding.models import TableImport


def imports_seen_by(viewer: Viewer) -> QuerySet[TableImport]:
    imports = TableImport.objects.filter(cooperative=viewer.cooperative)
    if not viewer.is_coordinator:
        imports = imports.filter(uploaded_by=viewer.person)
    return imports.select_related("uploaded_by", "imported_by", "undone_by", "member", "job", "cooperative")


def imports_listed(viewer: Viewer) -> QuerySet[TableImport]:
    """Without what they hold."""
    return imports_seen_by(viewer).defer("content", "sheet", "problems", "made")


def same_file(imported: TableImport) -> TableImport | None:
    """The latest other import of the very same file and kind that stands."""
    return (
        TableImport.objects.filter(
            cooperative=imported.cooperative, digest=imported.digest, kind=imported.kind, imported_at__isnull=False
        )
        .exclude(pk=imported.pk)
        .exclude(state="undone")
        .select_related("imported_by")
        .defer("content", "sheet", "problems", "made")
        .first()
    )
