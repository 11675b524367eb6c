"""Matings and semen batches of the folder: rows of one queen or one batch belong together."""

import datetime as dt
from typing import Any

from accounts.refusals import Refusal
from accounts.told import told as _
from breeding.models import MatingKind
from breeding.services.loading.check_queens import same_or_refuse
from breeding.services.loading.files import Problems, Row
from breeding.services.loading.plan import BatchPlan, Key, MatingPlan, Plan, SharePlan, key_of
from breeding.services.rules import (
    SourceShare,
    check_mating_day,
    check_mating_shape,
    check_not_later,
    check_shares,
    check_source_age,
)


def check_matings(plan: Plan, rows: list[Row], problems: Problems, today: dt.date) -> None:
    """Rows without a queen describe a batch; the others the mating of their queen."""
    groups: dict[tuple[bool, Key], list[Row]] = {}
    for row in rows:
        queen, batch = row.text("queen"), row.text("batch")
        if not queen and not batch:
            problems.add(row, _("Name the queen, or the batch whose source this is."), "queen")
            continue
        groups.setdefault((bool(queen), key_of(queen or batch)), []).append(row)
    for (is_mating, key), group in sorted(groups.items(), key=lambda item: item[0][0]):
        found = len(problems.found)
        shares = [share for row in group if (share := _share(plan, row, problems)) is not None]
        if len(problems.found) > found:
            continue
        try:
            if is_mating:
                _one_mating(plan, key, group, shares, today)
            else:
                _one_batch(plan, key, group, shares, today)
        except Refusal as refusal:
            problems.refused(group[0], refusal)
    _no_drones_of_descendants(plan, problems)


def _share(plan: Plan, row: Row, problems: Problems) -> SharePlan | None:
    """The source of one row; None where a row names none, or is bad."""
    try:
        label = row.text("drone_queen")
        if not label:
            if row.text("volume_ul"):
                raise Refusal(
                    _("volume_ul belongs to a drone_queen; the volume in all is total_ul."), field="volume_ul"
                )
            return None
        if key_of(label) not in plan.queens:
            raise Refusal(_("There is no queen %(label)s, the drone_queen.") % {"label": label}, field="drone_queen")
        return SharePlan(key_of(label), row.tenths("volume_ul"), row.whole("drones"))
    except Refusal as refusal:
        problems.refused(row, refusal)
        return None


def _facts(group: list[Row]) -> dict[str, Any]:
    """What the rows of one mating say together; two rows may not contradict each other."""
    facts: dict[str, Any] = {}
    for row in group:
        batch, station_mother = row.text("batch"), row.text("station_mother")
        cells = {
            "kind": row.text("kind").lower(),
            "mated_on": row.day("mated_on"),
            "total_tenths": row.tenths("total_ul"),
            "drones": None if row.text("drone_queen") else row.whole("drones"),
            "batch": key_of(batch) if batch else None,
            "station_mother": key_of(station_mother) if station_mother else None,
            "station_queens": row.whole("station_queens"),
            "place": row.text("place", 80),
        }
        for name, value in cells.items():
            if value in (None, ""):
                facts.setdefault(name, value)
            elif facts.get(name) not in (None, "", value):
                raise Refusal(
                    _("Line %(line)s says another %(column)s.") % {"line": row.line, "column": name}, field=name
                )
            else:
                facts[name] = value
    return facts


def _one_batch(plan: Plan, key: Key, group: list[Row], shares: list[SharePlan], today: dt.date) -> None:
    label = group[0].text("batch", 60)
    made_on = _facts(group)["mated_on"]
    check_not_later(made_on, today, field="mated_on")
    for share in shares:
        plan.check_may(plan.queens[share.drone_queen].facts["owner"], field="drone_queen")
    total = check_shares(_plain(plan, shares), total_tenths=None)
    if total is None:
        raise Refusal(_("A batch needs its sources with their volumes."))
    known = plan.batches.get(key)
    if known is not None:
        if not _same_shares(known.shares, shares):
            raise Refusal(_("Batch %(label)s is there already with other sources.") % {"label": label})
        for row in group:
            plan.same(row)
        return
    plan.batches[key] = BatchPlan(label, made_on, shares, row=group[0])


def _one_mating(plan: Plan, key: Key, group: list[Row], shares: list[SharePlan], today: dt.date) -> None:
    queen = plan.queens.get(key)
    if queen is None:
        raise Refusal(_("There is no queen %(label)s.") % {"label": group[0].text("queen")}, field="queen")
    plan.check_may(queen.facts["owner"], field="queen")
    facts = _facts(group)
    station_mother, batch = facts["station_mother"], facts["batch"]
    if station_mother is not None and station_mother not in plan.queens:
        raise Refusal(
            _("There is no queen %(label)s, the station_mother.") % {"label": station_mother}, field="station_mother"
        )
    if batch is not None and batch not in plan.batches:
        raise Refusal(
            _("Batch %(label)s has no sources. Give it rows without a queen.") % {"label": batch}, field="batch"
        )
    if facts["kind"] not in MatingKind.values:
        raise Refusal(
            _("kind is “%(kind)s”; known are %(known)s.")
            % {"kind": facts["kind"], "known": ", ".join(MatingKind.values)},
            field="kind",
        )
    check_mating_day(facts["mated_on"], queen.emerged_on, queen.birth_year, today=today)
    for share in shares:
        source = plan.queens[share.drone_queen]
        check_source_age(source.label, source.birth_year, facts["mated_on"], field="shares")
    plain, total = check_mating_shape(
        facts["kind"],
        _plain(plan, shares),
        total_tenths=facts["total_tenths"],
        drones=facts["drones"],
        has_batch=batch is not None,
        has_station_mother=station_mother is not None,
        station_queens=facts["station_queens"],
        place=facts["place"],
    )
    facts |= _of_kind(facts, total)
    shares = [
        SharePlan(share.drone_queen, one.volume_tenths, one.drones) for share, one in zip(shares, plain, strict=True)
    ]
    known = plan.matings.get(key)
    if known is None:
        plan.matings[key] = MatingPlan(key, facts, shares, row=group[0])
        return
    same_or_refuse(_("The mating of %(queen)s") % {"queen": queen.label}, known.facts, facts)
    if not _same_shares(known.shares, shares):
        raise Refusal(_("The mating of %(queen)s is there already with other sources.") % {"queen": queen.label})
    for row in group:
        plan.same(row)


def _of_kind(facts: dict[str, Any], total: int | None) -> dict[str, Any]:
    """The facts as they are written: each kind keeps its own, and what belongs to another kind is refused."""
    kind = facts["kind"]
    for column, owner in (("batch", MatingKind.BATCH), ("station_mother", MatingKind.STATION)):
        if facts[column] is not None and kind != owner:
            raise Refusal(_("%(column)s belongs to kind %(kind)s.") % {"column": column, "kind": owner}, field=column)
    in_the_open = kind in {MatingKind.STATION, MatingKind.OPEN}
    return {
        "total_tenths": total,
        "drones": facts["drones"] if in_the_open else None,
        "place": facts["place"] if in_the_open else "",
        "station_queens": facts["station_queens"] if kind == MatingKind.STATION else None,
    }


def _no_drones_of_descendants(plan: Plan, problems: Problems) -> None:
    """Own sons are possible; drones of a descendant come after the mating."""
    mothers = {parent for key in plan.queens for parent in plan.parents_of(key)}
    for key, mating in plan.matings.items():
        if mating.row is None or key not in mothers:
            continue
        for source in plan.sources_of(key):
            if source != key and _descends(plan, source, key):
                problems.add(
                    mating.row,
                    _("%(source)s descends from %(queen)s, so her drones came after this mating.")
                    % {"source": plan.queens[source].label, "queen": plan.queens[key].label},
                )


def _descends(plan: Plan, start: Key, ancestor: Key) -> bool:
    open_, seen = [start], {start}
    while open_:
        for parent in plan.parents_of(open_.pop()):
            if parent == ancestor:
                return True
            if parent not in seen:
                seen.add(parent)
                open_.append(parent)
    return False


def _plain(plan: Plan, shares: list[SharePlan]) -> list[SourceShare]:
    """Shares as the rules take them; ids are the places in the list of distinct sources."""
    ids = {key: number for number, key in enumerate(dict.fromkeys(share.drone_queen for share in shares))}
    return [
        SourceShare(ids[s.drone_queen], plan.queens[s.drone_queen].label, s.volume_tenths, s.drones) for s in shares
    ]


def _same_shares(one: list[SharePlan], other: list[SharePlan]) -> bool:
    def ordered(shares: list[SharePlan]) -> list[tuple[Key, int, int]]:
        return sorted((s.drone_queen, s.volume_tenths or 0, s.drones or 0) for s in shares)

    return ordered(one) == ordered(other)
