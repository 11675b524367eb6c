"""Loading a folder of tables as one act: all of it or nothing, the same folder twice changes nothing."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.services.loading.check_all import check_all
from breeding.services.loading.files import Problem, Problems, read_folder
from breeding.services.loading.plan import plan_of
from breeding.services.loading.write import write
from breeding.services.rules import local_day
from breeding.services.traits import traits_make


@dataclass(frozen=True)
class Loaded:
    """What a folder brought (or would bring): new things by kind, rows that stood already by file, bad rows."""

    new: dict[str, int]
    unchanged: dict[str, int]
    problems: tuple[Problem, ...]

    @property
    def changes_something(self) -> bool:
        return any(self.new.values())


class _Undo(Exception):  # noqa: N818 - takes the transaction back
    pass


def stock_load(
    cooperative: Cooperative, *, folder: Path, by: Person | None, now: dt.datetime, dry_run: bool = False
) -> Loaded:
    """Read, check, and without problems write. With problems, or as a dry run, nothing is changed."""
    problems = Problems()
    rows = read_folder(folder, problems)
    today = local_day(now, cooperative)
    result: Loaded | None = None
    try:
        with transaction.atomic():
            Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
            plan = plan_of(cooperative, traits_make(cooperative, by=by, now=now))
            check_all(plan, rows, problems, today)
            result = Loaded(plan.counts(), dict(plan.unchanged), tuple(sorted(set(problems.found))))
            if dry_run or result.problems:
                raise _Undo
            if result.changes_something:
                write(plan, by=by, now=now)
                audit_record(
                    cooperative,
                    action="stock.load",
                    by=by,
                    now=now,
                    cooperative=cooperative,
                    after=result.new,
                    note=folder.name,
                )
    except _Undo:
        pass
    if result is None:
        raise Refusal(_("Nothing was read."), rule="no_tables")
    return result
