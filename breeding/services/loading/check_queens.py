"""Apiaries and queens of the folder, checked row by row; then who descends from whom."""

import datetime as dt
from typing import Any

from accounts.refusals import Refusal
from accounts.told import Said
from accounts.told import told as _
from breeding.services.loading.files import Problems, Row
from breeding.services.loading.plan import Key, Plan, QueenPlan, key_of
from breeding.services.rules import birth_year_of, check_not_later, check_older


def check_apiaries(plan: Plan, rows: list[Row], problems: Problems) -> None:
    """Members and apiaries; a member that is not there yet is made."""
    seen: dict[Key, int] = {}
    for row in rows:
        try:
            member, name = row.text("member", 120), row.text("apiary", 80)
            key = key_of(member, name)
            _once(seen, key, row)
            facts = {
                "place": row.text("place", 120),
                "registration_number": row.text("registration_number", 60),
            }
            if key_of(member) not in plan.members and not plan.makes_members:
                raise Refusal(
                    _("There is no member %(name)s. Add the member first.") % {"name": member}, field="member"
                )
            plan.check_may(key_of(member), field="member")
            known = plan.apiaries.get(key)
            if known is None:
                plan.members.setdefault(key_of(member), member)
                plan.apiaries[key] = {"pk": None, "member": key_of(member), "name": name, **facts}
            else:
                same_or_refuse(_("apiary %(name)s") % {"name": name}, known, facts)
                plan.same(row)
        except Refusal as refusal:
            problems.refused(row, refusal)


def check_queens(plan: Plan, rows: list[Row], problems: Problems, today: dt.date) -> None:
    seen: dict[Key, int] = {}
    for row in rows:
        try:
            _one_queen(plan, row, seen, today)
        except Refusal as refusal:
            problems.refused(row, refusal)
    for queen in plan.queens.values():
        if queen.row is not None:
            try:
                _mother_fits(plan, queen)
            except Refusal as refusal:
                problems.refused(queen.row, refusal)


def check_descent(plan: Plan, problems: Problems) -> None:
    """No queen may be her own ancestor. Peels off queens whose parents are all settled; what stays is a loop."""
    waiting: dict[Key, int] = {}
    children: dict[Key, list[Key]] = {}
    for key in plan.queens:
        parents = {parent for parent in plan.parents_of(key) if parent in plan.queens}
        waiting[key] = len(parents)
        for parent in parents:
            children.setdefault(parent, []).append(key)
    free = [key for key, number in waiting.items() if number == 0]
    while free:
        key = free.pop()
        del waiting[key]
        for child in children.get(key, ()):
            waiting[child] -= 1
            if waiting[child] == 0:
                free.append(child)
    for key in _in_loops(plan, set(waiting)):
        queen = plan.queens[key]
        mating = plan.matings.get(key)
        row = queen.row or (mating.row if mating is not None else None)
        if row is not None:
            problems.add(row, _("%(queen)s would be her own ancestor.") % {"queen": queen.label})


def _in_loops(plan: Plan, stuck: set[Key]) -> list[Key]:
    """Of the queens left over, those that really stand in a loop, not the ones that merely descend from it."""
    found = []
    for key in stuck:
        open_, seen = [parent for parent in plan.parents_of(key) if parent in stuck], set()
        while open_:
            current = open_.pop()
            if current == key:
                found.append(key)
                break
            if current not in seen:
                seen.add(current)
                open_ += [parent for parent in plan.parents_of(current) if parent in stuck]
    return found


def _one_queen(plan: Plan, row: Row, seen: dict[Key, int], today: dt.date) -> None:
    label = row.text("queen", 40)
    key = key_of(label)
    _once(seen, key, row)
    owner, line = row.text("owner"), row.text("line", 60)
    if key_of(owner) not in plan.members:
        raise Refusal(_("There is no member %(name)s. Add the member first.") % {"name": owner}, field="owner")
    plan.check_may(key_of(owner), field="owner")
    emerged_on, gone_on = row.day("emerged_on"), row.day("gone_on")
    check_not_later(gone_on, today, field="gone_on")
    if emerged_on is not None and gone_on is not None and gone_on < emerged_on:
        raise Refusal(_("She was gone before she emerged."), field="gone_on")
    mother = row.text("mother")
    facts: dict[str, Any] = {
        "owner": key_of(owner),
        "mother": key_of(mother) if mother else None,
        "line": key_of(line) if line else None,
        "emerged_on": emerged_on,
        "birth_year": birth_year_of(emerged_on, row.whole("birth_year"), today=today),
        "origin": row.text("origin", 60),
        "mark_number": row.text("mark_number", 8),
        "gone_on": gone_on,
        "gone_reason": row.text("gone_reason", 120),
        "note": row.text("note"),
    }
    known = plan.queens.get(key)
    if known is not None:
        same_or_refuse(label, known.facts, facts)
        plan.same(row)
        return
    if line:
        plan.lines.setdefault(key_of(line), line)
    plan.queens[key] = QueenPlan(label, facts, row=row)


def _mother_fits(plan: Plan, queen: QueenPlan) -> None:
    if queen.mother is None or queen.row is None:
        return
    mother = plan.queens.get(queen.mother)
    if mother is None:
        raise Refusal(
            _("There is no queen %(label)s, her mother.") % {"label": queen.row.text("mother")}, field="mother"
        )
    check_older(mother.label, mother.emerged_on, mother.birth_year, queen.emerged_on, queen.birth_year)


def same_or_refuse(what: Said, known: dict[str, Any], wanted: dict[str, Any]) -> None:
    """Refuse when a filled cell says otherwise than what stands there; empty cells say nothing."""
    differing = [name for name, value in wanted.items() if value not in (None, "") and known.get(name) != value]
    if differing:
        raise Refusal(
            _("%(what)s is there already with another %(columns)s. Correct it in the app, or the file.")
            % {"what": what, "columns": ", ".join(differing)},
            field=differing[0],
        )


def _once(seen: dict[Key, int], key: Key, row: Row) -> None:
    if key in seen:
        raise Refusal(_("It stands in line %(line)s already.") % {"line": seen[key]})
    seen[key] = row.line
