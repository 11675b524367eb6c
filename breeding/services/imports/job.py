"""Imports that take long, as jobs: read, looked at or written by a worker, with the rights its person has by then."""

from typing import Any

from accounts.access import can_import, viewer_of
from accounts.models import JobState
from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle
from accounts.told import Said
from accounts.told import told as _
from breeding.models import TableImport
from breeding.services.imports.importing import import_check, import_commit, import_read


def import_job(handle: JobHandle) -> dict[str, Any]:
    """`arguments`: import (id), act (read, check, commit), seen (the preview that the person saw)."""
    imported = TableImport.objects.filter(pk=handle.arguments["import"]).first()
    if imported is None:
        raise Refusal(_("This import was set aside."), rule="import_gone")
    by = handle.job.requested_by
    viewer = viewer_of(by, imported.cooperative_id) if by is not None else None
    if viewer is None or viewer.cooperative.pk != imported.cooperative_id or not can_import(viewer):
        raise Refusal(_("Whoever asked for it may not import any more."), rule="import_not_allowed")

    def report(step: Said, done_share: float | None) -> None:
        handle.report(JobState.WORKING, step=step, done_share=done_share)

    act = handle.arguments["act"]
    if act == "read":
        handle.report(JobState.READING, step=_("Reading the file"))
        import_read(imported)
    elif act == "check":
        import_check(imported, viewer=viewer, now=handle.now, report=report)
    else:
        import_commit(imported, seen=handle.arguments["seen"], viewer=viewer, now=handle.now, report=report)
    return {"import": imported.pk, "act": act}
