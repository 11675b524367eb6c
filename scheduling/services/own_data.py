"""Everything of one's own in one archive: each table for spreadsheets and for programs, with a page of words."""

import datetime as dt
import zipfile
from collections.abc import Iterator
from typing import Any, BinaryIO
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.access import Viewer
from accounts.queries.dump import one_moment, zip_entry
from accounts.queries.history import thing_words
from accounts.services.audit import audit_record
from accounts.tables import LINES, Table
from scheduling.queries.own_data import OwnTable, own_tables

README = "README.txt"
#: What a table holds, where the history has no word for its rows.
HOLDS: dict[str, Any] = {
    "roles": gettext_lazy("Roles"),
    "acting-for": gettext_lazy("Members you act for"),
    "second-step": gettext_lazy("Second step: app or passkey"),
    "signed-in": gettext_lazy("Where you are signed in"),
    "links-for-guests": gettext_lazy("Links to cards that you made for guests"),
    "wishes": gettext_lazy("How I am told"),
    "lead-times": gettext_lazy("How long before you are reminded"),
    "deliveries": gettext_lazy("Messages to you, and whether they got through"),
    "mail": gettext_lazy("Kept mail"),
    "what-you-did": gettext_lazy("What you did, without what was changed"),
    "mating-shares": gettext_lazy("Drone sources of a mating"),
    "queens-of-colonies": gettext_lazy("Which queen headed which colony"),
    "merit": gettext_lazy("Merit"),
    "breeding-values": gettext_lazy("Breeding values"),
    "drone-counts": gettext_lazy("Counts of drones"),
    "requests-sources": gettext_lazy("Drone sources accepted in a request"),
    "offers": gettext_lazy("Places offered to you"),
    "planned": gettext_lazy("Where published plans put your requests"),
    "co2": gettext_lazy("CO2"),
}


def own_data_take(viewer: Viewer, target: BinaryIO, *, now: dt.datetime) -> dict[str, int]:
    """Write the archive. Returns rows a table. The history says that it was taken, by whom it was taken."""
    with transaction.atomic():
        audit_record(
            viewer.person, action="person.data_take", by=viewer.person, now=now, cooperative=viewer.cooperative
        )
    counts: dict[str, int] = {}
    with one_moment(), zipfile.ZipFile(target, "w") as archive:
        tables = own_tables(viewer)
        for own in tables:
            table = own.table()
            rows = list(table.rows)
            table = Table(table.name, table.head, rows)
            counts[own.name] = len(rows)
            _put(archive, f"csv/{own.name}.csv", LINES["csv"](table))
            _put(archive, f"json/{own.name}.json", LINES["json"](table))
        archive.writestr(zip_entry(README), _readme(viewer, tables, counts, now))
    return counts


def _put(archive: zipfile.ZipFile, name: str, lines: Iterator[str]) -> None:
    with archive.open(zip_entry(name), "w") as file:
        file.writelines(line.encode() for line in lines)


def _readme(viewer: Viewer, tables: list[OwnTable], counts: dict[str, int], now: dt.datetime) -> str:
    local = now.astimezone(ZoneInfo(viewer.cooperative.time_zone))
    lines = [
        _("Everything of %(person)s in %(cooperative)s")
        % {"person": viewer.person.name, "cooperative": viewer.cooperative.name},
        local.isoformat(" ", "minutes"),
        "",
        _("What this cooperative keeps of you and of the members you act for, one table a file."),
        _("csv: for spreadsheet programs. A text that begins like a formula has an apostrophe in front of it."),
        _("json: the same for programs, texts as they were entered."),
        _("Moments are in UTC. Columns ending in _tenths are tenths of a microlitre. Empty means not known."),
        _("Other people stand in it as numbers only. Passwords and keys are not in it."),
        "",
        *(f"{own.name} ({counts[own.name]}): {HOLDS.get(own.name) or thing_words(own.subject_type)}" for own in tables),
    ]
    return "\r\n".join(lines) + "\r\n"
