"""Colonies with the queens who headed them, and their scores."""

import datetime as dt
from itertools import pairwise
from typing import Any

from accounts.refusals import Refusal
from accounts.told import told as _
from breeding.services.loading.check_queens import same_or_refuse
from breeding.services.loading.files import Problems, Row
from breeding.services.loading.plan import ColonyPlan, HeadingPlan, Key, Plan, ScorePlan, key_of
from breeding.services.rules import check_not_later
from breeding.services.scores import scored_value

FOREVER = dt.date.max


def check_colonies(plan: Plan, rows: list[Row], problems: Problems, today: dt.date) -> None:
    """One row for each queen of a colony; a colony without a queen has one row."""
    touched: set[Key] = set()
    for row in rows:
        try:
            touched.add(_one_row(plan, row, today))
        except Refusal as refusal:
            problems.refused(row, refusal)
    for key in touched:
        _no_overlap(plan, plan.colonies[key], problems)
    _one_colony_at_a_time(plan, problems)


def _one_row(plan: Plan, row: Row, today: dt.date) -> Key:
    apiary = key_of(row.text("member"), row.text("apiary"))
    if apiary not in plan.apiaries:
        raise Refusal(
            _("%(member)s has no apiary %(apiary)s. Add the apiary first.")
            % {"member": row.text("member"), "apiary": row.text("apiary")},
            field="apiary",
        )
    plan.check_may(key_of(row.text("member")), field="member")
    name = row.text("colony", 40)
    key = key_of(row.text("member"), row.text("apiary"), name)
    facts: dict[str, Any] = {
        "established_on": row.day("established_on"),
        "ended_on": row.day("ended_on"),
        "ended_reason": row.text("ended_reason", 120),
        "note": row.text("note"),
    }
    for column in ("established_on", "ended_on"):
        check_not_later(facts[column], today, field=column)
    colony = plan.colonies.get(key)
    if colony is None:
        if facts["established_on"] and facts["ended_on"] and facts["ended_on"] < facts["established_on"]:
            raise Refusal(_("It ended before it was established."), field="ended_on")
        if plan.apiaries[apiary].get("closed_on") is not None and facts["ended_on"] is None:
            raise Refusal(_("%(apiary)s is closed.") % {"apiary": row.text("apiary")}, field="apiary")
        colony = plan.colonies[key] = ColonyPlan(name, apiary, facts, row=row)
        is_new = True
    else:
        is_new = colony.pk is None
        known = colony.facts
        if is_new:  # another row of this file: together they say everything
            known = colony.facts = {column: known[column] or facts[column] for column in known}
        same_or_refuse(_("Colony %(name)s") % {"name": name}, known, facts)
    heading = _heading(plan, row, today)
    if heading is None:
        if not is_new:
            plan.same(row)
    elif not _known_heading(colony, heading):
        colony.headings.append(heading)
    else:
        plan.same(row)
    return key


def _heading(plan: Plan, row: Row, today: dt.date) -> HeadingPlan | None:
    label = row.text("queen")
    if not label:
        if row.text("since") or row.text("until"):
            raise Refusal(_("since and until belong to a queen. Name her."), field="queen")
        return None
    queen = plan.queens.get(key_of(label))
    if queen is None:
        raise Refusal(_("There is no queen %(label)s.") % {"label": label}, field="queen")
    plan.check_may(queen.facts["owner"], field="queen")
    since, until = row.day("since") or row.day("established_on"), row.day("until")
    if since is None:
        raise Refusal(_("Say since when %(label)s heads it.") % {"label": label}, field="since")
    check_not_later(since, today, field="since")
    check_not_later(until, today, field="until")
    if until is not None and until < since:
        raise Refusal(_("until lies before since."), field="until")
    if queen.emerged_on is not None and since < queen.emerged_on:
        raise Refusal(_("%(label)s had not emerged yet.") % {"label": label}, field="since")
    gone_on = queen.facts["gone_on"]
    if gone_on is not None and (until or since) > gone_on:
        raise Refusal(
            _("%(label)s was gone on %(day)s.") % {"label": label, "day": gone_on.isoformat()},
            field="since" if until is None else "until",
        )
    return HeadingPlan(key_of(label), since, until, row=row)


def _known_heading(colony: ColonyPlan, wanted: HeadingPlan) -> bool:
    for heading in colony.headings:
        if heading.queen == wanted.queen and heading.since == wanted.since:
            if not heading.is_known:
                raise Refusal(_("It stands twice in the file."))
            if wanted.until is not None and heading.until != wanted.until:
                raise Refusal(_("She heads it with another end already. Correct it in the app, or the file."))
            return True
    return False


def _no_overlap(plan: Plan, colony: ColonyPlan, problems: Problems) -> None:
    """One queen at a time. Where the end is not said, it is the next queen's first day, or when she was gone."""
    ordered = sorted(colony.headings, key=lambda heading: (heading.since, heading.until or FOREVER))
    for earlier, later in pairwise(ordered):
        if earlier.until is None and not earlier.is_known and later.since > earlier.since:
            earlier.until = later.since
    for heading in ordered:
        if heading.until is None and not heading.is_known:
            heading.until = plan.queens[heading.queen].facts["gone_on"] or colony.facts["ended_on"]
    for earlier, later in pairwise(ordered):
        if (earlier.until or FOREVER) > later.since:
            row = later.row or earlier.row
            if row is not None:
                problems.add(row, _("Two queens would head %(colony)s at once.") % {"colony": colony.name})
    ended_on, established_on = colony.facts["ended_on"], colony.facts["established_on"]
    for heading in colony.headings:
        if heading.row is None:
            continue
        if established_on is not None and heading.since < established_on:
            problems.add(heading.row, _("The colony was not established yet."))
        if ended_on is not None and (heading.until or FOREVER) > ended_on:
            problems.add(heading.row, _("The colony had ended by then."))


def _one_colony_at_a_time(plan: Plan, problems: Problems) -> None:
    by_queen: dict[Key, list[HeadingPlan]] = {}
    for colony in plan.colonies.values():
        for heading in colony.headings:
            by_queen.setdefault(heading.queen, []).append(heading)
    for queen, headings in by_queen.items():
        ordered = sorted(headings, key=lambda heading: (heading.since, heading.until or FOREVER))
        for earlier, later in pairwise(ordered):
            row = later.row or earlier.row
            if row is not None and (earlier.until or FOREVER) > later.since:
                problems.add(row, _("%(queen)s would head two colonies at once.") % {"queen": plan.queens[queen].label})


def check_scores(plan: Plan, rows: list[Row], problems: Problems, today: dt.date) -> None:
    seen: dict[tuple[Key, int, dt.date, str], int] = {}
    for row in rows:
        try:
            _one_score(plan, row, seen, today)
        except Refusal as refusal:
            problems.refused(row, refusal)


def _one_score(plan: Plan, row: Row, seen: dict[tuple[Key, int, dt.date, str], int], today: dt.date) -> None:
    names = row.text("member"), row.text("apiary"), row.text("colony")
    key = key_of(*names)
    colony = plan.colonies.get(key)
    if colony is None:
        raise Refusal(
            _("There is no colony %(colony)s at %(apiary)s.") % {"colony": names[2], "apiary": names[1]},
            field="colony",
        )
    plan.check_may(key_of(names[0]), field="member")
    trait = plan.traits.get(row.text("trait").lower())
    if trait is None:
        raise Refusal(
            _("There is no trait “%(trait)s”; known are %(known)s.")
            % {"trait": row.text("trait"), "known": ", ".join(plan.traits)},
            field="trait",
        )
    day = row.day("scored_on")
    assert day is not None  # a required cell
    check_not_later(day, today, field="scored_on")
    method, hours = row.text("method").lower(), row.number("hours")
    part, whole = row.whole("part"), row.whole("whole")
    if hours is not None and (hours >= 1000 or hours * 10 != (hours * 10).to_integral_value()):
        raise Refusal(_("hours are written to 0.1."), field="hours")
    value = scored_value(trait.key, value=row.number("value"), part=part, whole=whole, method=method, hours=hours)
    where = (key, trait.pk, day, method)
    if where in seen:
        raise Refusal(_("It stands in line %(line)s already.") % {"line": seen[where]})
    seen[where] = row.line
    known = plan.known_scores.get(where)
    if known is not None:
        if known != (value, part, whole, hours):
            raise Refusal(_("Another score of that day is there already. Correct it in the app, or the file."))
        plan.same(row)
        return
    ended_on = colony.facts["ended_on"]
    if ended_on is not None and day > ended_on:
        raise Refusal(_("The colony ended on %(day)s.") % {"day": ended_on.isoformat()}, field="scored_on")
    there = [h for h in colony.headings if h.since <= day <= (h.until or FOREVER)]
    if not there:
        raise Refusal(_("No queen headed the colony on %(day)s.") % {"day": day.isoformat()}, field="scored_on")
    queen = min(there, key=lambda heading: heading.since).queen
    plan.scores.append(ScorePlan(key, queen, trait.pk, day, value, part, whole, method, hours, row.text("note", 200)))
