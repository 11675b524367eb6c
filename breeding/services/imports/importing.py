"""An import from its file to what it made: uploaded, read, matched, looked at, imported in one transaction, undone."""

import datetime as dt
import hashlib
import json
import zlib
from collections.abc import Callable, Mapping
from typing import Any

from django.db import transaction

from accounts.access import Viewer
from accounts.models import Cooperative, Member
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_ask
from accounts.sheets.reading import Sheet, sheet_read
from accounts.told import Said, kept_text
from accounts.told import told as _
from breeding.models import ImportState, TableImport
from breeding.services.imports.cells import rows_of
from breeding.services.imports.headings import columns_matched
from breeding.services.imports.kinds import Asked, Checked, Kind, kinds

KEPT_DAYS = 30  # a file that nobody imported
# What takes longer than anybody waits before a page is a job.
MANY_BYTES, MANY_ROWS = 400_000, 1_000
Report = Callable[[Said, float | None], None]


def _silent(step: Said, done_share: float | None) -> None:
    """Nobody watches."""


def import_upload(
    viewer: Viewer, *, kind: str, file_name: str, content: bytes, now: dt.datetime, member: Member | None = None
) -> TableImport:
    """Keep the file and read it, or have it read when that takes long. Refused with what is wrong with the file."""
    if kind not in kinds():
        raise Refusal(_("Choose what the table holds."), field="kind")
    cooperative = viewer.cooperative
    imported = TableImport(
        cooperative=cooperative,
        kind=kind,
        file_name=file_name.strip()[-120:] or "table",
        digest=hashlib.sha256(content).hexdigest(),
        member=member,
        uploaded_by=viewer.person,
        uploaded_at=now,
    )
    is_long = len(content) > MANY_BYTES
    sheet = None if is_long else sheet_read(content)
    with transaction.atomic():
        _forget_old(viewer, now)
        if sheet is None:
            imported.content = content
            imported.save()
            _hand_over(imported, viewer, "read", now)
        else:
            _take_sheet(imported, sheet)
            imported.save()
        after = {"kind": kind, "rows": imported.rows}
        audit_record(imported, action="import.upload", by=viewer.person, now=now, cooperative=cooperative, after=after)
    return imported


def import_read(imported: TableImport) -> TableImport:
    """Read what was kept. The file itself is not needed any more. Read twice is read once."""
    if imported.state != ImportState.READING:
        return imported
    sheet = sheet_read(bytes(imported.content))
    _take_sheet(imported, sheet)
    imported.content = b""
    imported.save(update_fields=["content", "sheet", "rows", "matched", "state", "preview"])
    return imported


def sheet_of(imported: TableImport) -> Sheet:
    kept = json.loads(zlib.decompress(bytes(imported.sheet)))
    return Sheet(kept["head"], [(number, cells) for number, cells in kept["lines"]], kept["notes"])


def import_match(
    imported: TableImport,
    *,
    matched: Mapping[str, int],
    member: Member | None,
    day_order: str,
    viewer: Viewer,
    now: dt.datetime,
) -> TableImport:
    """Which column is which field, as the person says; then look at what would come of it, at once or as a job."""
    _refuse_unless_open(imported)
    kind = kinds()[imported.kind]
    if len(set(matched.values())) < len(matched):
        raise Refusal(_("A column can be only one thing. Choose another for one of them."), rule="column_twice")
    missing = [
        column
        for column in kind.columns
        if column.required and column.key not in matched and not (column.key == kind.member and member is not None)
    ]
    if missing:
        names = ", ".join(str(column.label) for column in missing)
        raise Refusal(_("Say which column is: %(names)s.") % {"names": names}, field=missing[0].key)
    imported.matched, imported.member, imported.day_order = dict(matched), member, day_order
    with transaction.atomic():
        imported.save(update_fields=["matched", "member", "day_order"])
        if imported.rows > MANY_ROWS:
            _hand_over(imported, viewer, "check", now)
            return imported
    return import_check(imported, viewer=viewer, now=now)


def import_check(imported: TableImport, *, viewer: Viewer, now: dt.datetime, report: Report = _silent) -> TableImport:
    """Look at every row anew and keep what would come of it."""
    checked = _checked(imported, viewer, now, report)
    imported.preview = {
        "new": checked.new,
        "unchanged": checked.unchanged,
        "fingerprint": checked.fingerprint,
        "notes": imported.preview.get("notes", []),
    }
    place = {column.key: number for number, column in enumerate(kinds()[imported.kind].columns)}
    in_order = sorted(
        checked.problems, key=lambda one: (one.line, place.get(one.column, len(place)), kept_text(one.said))
    )
    imported.problems = [[problem.line, problem.column, kept_text(problem.said)] for problem in in_order]
    imported.state = ImportState.CHECKED
    with transaction.atomic():
        current = TableImport.objects.select_for_update(of=("self",)).get(pk=imported.pk)
        _refuse_unless_open(current)
        imported.version = current.version + 1
        imported.save(update_fields=["preview", "problems", "state", "version"])
    return imported


def import_commit_ask(imported: TableImport, *, seen: int, viewer: Viewer, now: dt.datetime) -> TableImport:
    """Import now, or as a job when there is much of it."""
    if imported.state == ImportState.CHECKED and imported.rows > MANY_ROWS:
        _refuse_unless_seen(imported, seen)
        with transaction.atomic():
            _hand_over(imported, viewer, "commit", now, seen=seen)
        return imported
    return import_commit(imported, seen=seen, viewer=viewer, now=now)


def import_commit(
    imported: TableImport, *, seen: int, viewer: Viewer, now: dt.datetime, report: Report = _silent
) -> TableImport:
    """Write all of it in one transaction, if it would still make exactly what the person saw. Asked twice, once."""
    if imported.state == ImportState.DONE:
        return imported
    report(_("Writing"), None)
    try:
        with transaction.atomic():
            Cooperative.objects.select_for_update(of=("self",)).get(pk=imported.cooperative_id)
            imported = TableImport.objects.select_for_update(of=("self",)).get(pk=imported.pk)
            if imported.state == ImportState.DONE:
                return imported
            _refuse_unless_seen(imported, seen)
            checked = _checked(imported, viewer, now, _silent)
            if checked.problems or checked.fingerprint != imported.preview["fingerprint"]:
                raise _Outdated
            _write(imported, checked, viewer, now)
    except _Outdated:
        import_check(imported, viewer=viewer, now=now)
        raise Refusal(
            _("The stock has changed since this preview was made, so nothing was imported. Look at the new one."),
            rule="preview_outdated",
        ) from None
    return imported


def import_undo(imported: TableImport, *, viewer: Viewer, now: dt.datetime) -> TableImport:
    """Take back all that it made, or say what depends on it. Undone twice is once."""
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=imported.cooperative_id)
        imported = TableImport.objects.select_for_update(of=("self",)).get(pk=imported.pk)
        if imported.state == ImportState.UNDONE:
            return imported
        if imported.state != ImportState.DONE or imported.imported_at is None:
            raise Refusal(_("It was not imported, so there is nothing to undo."), rule="import_not_done")
        before = {name: len(pks) for name, pks in imported.made.items()}
        kinds()[imported.kind].take_back(imported.made, Asked(viewer, viewer.person, now), imported.imported_at)
        imported.state, imported.undone_by, imported.undone_at = ImportState.UNDONE, viewer.person, now
        imported.made = {}
        imported.save(update_fields=["state", "undone_by", "undone_at", "made"])
        audit_record(
            imported,
            action="import.undo",
            by=viewer.person,
            now=now,
            cooperative=imported.cooperative,
            before={"made": before},
        )
    return imported


def import_set_aside(imported: TableImport, *, viewer: Viewer, now: dt.datetime) -> TableImport:
    """The file is dropped; nothing was imported."""
    with transaction.atomic():
        imported = TableImport.objects.select_for_update(of=("self",)).get(pk=imported.pk)
        _refuse_unless_open(imported)
        audit_record(imported, action="import.set_aside", by=viewer.person, now=now, cooperative=imported.cooperative)
        imported.delete()
    return imported


class _Outdated(Exception):  # noqa: N818 - takes the transaction back
    pass


def _take_sheet(imported: TableImport, sheet: Sheet) -> None:
    kind: Kind = kinds()[imported.kind]
    kept = {"head": sheet.head, "lines": sheet.lines, "notes": sheet.notes}
    imported.sheet = zlib.compress(json.dumps(kept, ensure_ascii=False).encode(), 6)
    imported.rows = len(sheet.lines)
    imported.matched = columns_matched(kind.columns, sheet.head)
    imported.preview = {"notes": sheet.notes}
    imported.state = ImportState.MATCHING


def _checked(imported: TableImport, viewer: Viewer, now: dt.datetime, report: Report) -> Checked:
    kind, sheet = kinds()[imported.kind], sheet_of(imported)
    report(_("Reading the rows"), 0.1)
    instead = {kind.member: imported.member.name} if kind.member and imported.member is not None else {}
    rows, problems = rows_of(
        sheet.lines,
        kind.columns,
        imported.matched,
        table=imported.kind,
        head=sheet.head,
        day_order=imported.day_order,
        instead=instead,
    )
    report(_("Comparing with the stock"), 0.4)
    checked = kind.check(Asked(viewer, viewer.person, now), rows, problems)
    report(_("Comparing with the stock"), 0.95)
    return checked


def _write(imported: TableImport, checked: Checked, viewer: Viewer, now: dt.datetime) -> None:
    if not any(checked.new.values()):
        raise Refusal(_("All of it is there already; there is nothing to import."), rule="nothing_new")
    imported.made = checked.write()
    imported.state, imported.imported_by, imported.imported_at = ImportState.DONE, viewer.person, now
    imported.sheet = b""
    imported.save(update_fields=["made", "state", "imported_by", "imported_at", "sheet"])
    audit_record(
        imported,
        action="import.commit",
        by=viewer.person,
        now=now,
        cooperative=imported.cooperative,
        after={"new": {name: number for name, number in checked.new.items() if number}},
    )


def _refuse_unless_open(imported: TableImport) -> None:
    if imported.imported_at is not None:
        raise Refusal(_("It is imported already."), rule="import_done")


def _refuse_unless_seen(imported: TableImport, seen: int) -> None:
    if imported.state != ImportState.CHECKED or imported.version != seen:
        raise Refusal(
            _("This preview is not the latest any more. Look at what stands here now, then import."),
            rule="preview_outdated",
        )


def _hand_over(imported: TableImport, viewer: Viewer, act: str, now: dt.datetime, **more: Any) -> None:
    """Inside the caller's transaction. While one job works on it, that one goes on."""
    imported = TableImport.objects.select_for_update(of=("self",)).get(pk=imported.pk)
    if imported.job is not None and imported.job.is_open:
        raise Refusal(_("It is being worked on. Wait until that has ended."), rule="import_busy")
    arguments = {"import": imported.pk, "act": act, **more}
    imported.job = job_ask("import", cooperative=viewer.cooperative, by=viewer.person, now=now, arguments=arguments)
    imported.save(update_fields=["job"])


def _forget_old(viewer: Viewer, now: dt.datetime) -> None:
    """Files that the person left lying."""
    long_ago = now - dt.timedelta(days=KEPT_DAYS)
    TableImport.objects.filter(uploaded_by=viewer.person, imported_at__isnull=True, uploaded_at__lt=long_ago).delete()
