"""Bringing in a table of 50,000 scores: reading, looking at it, writing it, undoing it.

    python -m benchmarks.imports [--scores 50000]

Works in a database of its own beside the one that the settings name (as tests do), and drops it. Prints seconds of each
step for CSV and XLSX, and the most memory of this process and of the reading one. Measured, not asserted.
"""

import argparse
import datetime as dt
import os
import resource
import time
from collections.abc import Callable
from typing import Any

DAYS, TRAITS = 10, ("gentleness", "calmness")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scores", type=int, default=50_000)
    wanted = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import connection

    connection.creation.create_test_db(verbosity=0)
    try:
        print(f"{connection.vendor}, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores, {wanted.scores} scores")
        for ending in ("csv", "xlsx"):
            measure(wanted.scores, ending)
    finally:
        connection.creation.destroy_test_db("", verbosity=0)


def measure(scores: int, ending: str) -> None:
    from accounts.access import viewer_of
    from accounts.sheets.reading import sheet_read
    from breeding.models import TableImport
    from breeding.services.imports.importing import import_commit_ask, import_match, import_undo, import_upload
    from tests.factories import MemberPersonFactory

    member, text = apiary_made(scores)
    viewer = viewer_of(MemberPersonFactory(member=member).person, member.cooperative_id)
    assert viewer is not None
    content = text.encode() if ending == "csv" else as_xlsx(text)
    now = dt.datetime.now(dt.UTC)
    took("the limited process alone", lambda: sheet_read(content))
    imported = import_upload(viewer, kind="scores", file_name=f"scores.{ending}", content=content, now=now)
    print(f"{ending}: {len(content) / 1e6:.1f} MB")
    total = took("read", lambda: worked(imported.pk))
    imported = TableImport.objects.get(pk=imported.pk)
    import_match(imported, matched=imported.matched, member=None, day_order="", viewer=viewer, now=now)
    total += took("look at it", lambda: worked(imported.pk))
    imported = TableImport.objects.get(pk=imported.pk)
    assert imported.problems == [], imported.problems[:3]
    import_commit_ask(imported, seen=imported.version, viewer=viewer, now=now)
    total += took("write", lambda: worked(imported.pk))
    imported = TableImport.objects.get(pk=imported.pk)
    assert imported.state == "done"
    print(f"  {total:8.1f} s from the file to the stock (target 60 s)")
    took("undo", lambda: import_undo(imported, viewer=viewer, now=now))
    here, child = (resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(f"  {here:8.0f} MB here, {child:.0f} MB in the reading process, at most")


def worked(pk: int) -> None:
    """By the job that was asked for, as a worker does it."""
    from accounts.services.jobs import job_run
    from breeding.models import TableImport

    job = TableImport.objects.select_related("job").get(pk=pk).job
    assert job is not None
    assert job_run(job.pk, now=dt.datetime.now(dt.UTC))
    job.refresh_from_db()
    assert job.state == "ready", job.problem


def took(what: str, step: Callable[[], object]) -> float:
    started = time.perf_counter()
    step()
    seconds = time.perf_counter() - started
    print(f"  {seconds:8.1f} s {what}")
    return seconds


def apiary_made(scores: int) -> tuple[Any, str]:
    """Colonies with a queen each, and their scores as lines."""
    from breeding.models import Colony, Heading, Queen
    from breeding.services.traits import traits_make
    from tests.factories import ApiaryFactory, CooperativeFactory, MemberFactory

    cooperative = CooperativeFactory()
    member = MemberFactory(cooperative=cooperative)
    traits_make(cooperative, by=None, now=dt.datetime.now(dt.UTC))
    apiary = ApiaryFactory(member=member, name="Orchard")
    n = -(-scores // (DAYS * len(TRAITS)))
    queens = Queen.objects.bulk_create(
        [Queen(cooperative=cooperative, owner=member, label=f"Q {i}", birth_year=2023) for i in range(n)]
    )
    colonies = Colony.objects.bulk_create([Colony(apiary=apiary, name=str(i)) for i in range(n)])
    Heading.objects.bulk_create(
        [
            Heading(colony=colony, queen=queen, since=dt.date(2024, 1, 1))
            for colony, queen in zip(colonies, queens, strict=True)
        ]
    )
    lines = [
        f"{member.name},Orchard,{colony},{trait},{dt.date(2025, 5, 1 + day)},{1 + (colony + day) % 7 / 2}"
        for colony in range(n)
        for day in range(DAYS)
        for trait in TRAITS
    ]
    return member, "\n".join(["member,apiary,colony,trait,scored on,value", *lines[:scores]]) + "\n"


def as_xlsx(text: str) -> bytes:
    from tests.bombs import xlsx_of

    rows: list[list[Any]] = [line.split(",") for line in text.splitlines()]
    return xlsx_of([rows[0], *([*row[:5], float(row[5])] for row in rows[1:])])


if __name__ == "__main__":
    main()
