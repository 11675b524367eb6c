"""Rows of one table of the stock by the rules of the loader, within what the viewer may write."""

from accounts.access import can_import_for_all
from accounts.models import Member
from breeding.services.imports.kinds import Asked, Checked
from breeding.services.loading.check_all import check_all
from breeding.services.loading.files import Problem, Problems, Row
from breeding.services.loading.plan import Key, key_of, plan_of
from breeding.services.loading.write import write
from breeding.services.rules import local_day
from breeding.services.traits import traits_make


def stock_check(table: str, asked: Asked, rows: list[Row], found: list[Problem]) -> Checked:
    """`found` : what is wrong in rows that are left out here. Queries only; writing comes later, and here or there."""
    cooperative = asked.viewer.cooperative
    problems = Problems(list(found))
    plan = plan_of(
        cooperative,
        traits_make(cooperative, by=asked.by, now=asked.now),
        only=_members_of(asked),
        makes_members=False,
    )
    check_all(plan, {table: rows}, problems, local_day(asked.now, cooperative))
    return Checked(
        new=plan.counts(),
        unchanged=sum(plan.unchanged.values()),
        problems=sorted(set(problems.found)),
        fingerprint=plan.fingerprint(),
        write=lambda: write(plan, by=asked.by, now=asked.now),
    )


def _members_of(asked: Asked) -> frozenset[Key] | None:
    if can_import_for_all(asked.viewer):
        return None
    names = Member.objects.filter(pk__in=asked.viewer.member_ids).values_list("name", flat=True)
    return frozenset(key_of(name) for name in names)
