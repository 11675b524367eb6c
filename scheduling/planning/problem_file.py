"""The file ``season/1``: reading it strictly, and writing it."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Any

from .problem import (
    MODES,
    Accepted,
    Bench,
    BenchDay,
    Booking,
    Cohort,
    Excluded,
    Member,
    Mode,
    Placement,
    Problem,
    Rules,
    Source,
)
from .reading import Fields, FileError, json_from_text, whole_number

SEASON_FORMAT = "season/1"
#: In `meta`: the format has one largest share for all, no aims, and no other keys.
SHARE_CAPS, SHARE_TARGETS = "share_caps_permille", "share_targets_permille"

#: Beyond this a number is a slip of the pen, and sums of products could leave 64 bits.
_MOST = 10**9
_MOST_DAYS = 3660


def problem_from_text(text: str) -> Problem:
    """Read a ``season/1`` file's text; see `problem_from_json`."""
    return problem_from_json(json_from_text(text))


def problem_from_json(data: Any) -> Problem:
    """Read a parsed ``season/1`` file.

    Parameters
    ----------
    data : Any
        What `json.loads` gave.

    Returns
    -------
    Problem
        The problem; every id in it is known and unique.

    Raises
    ------
    FileError
        On an unknown or missing key, an impossible value or an unknown id, with the path inside the file.
    """
    top = Fields(data)
    if top.take("format") != SEASON_FORMAT:
        raise FileError("format", f"must be {SEASON_FORMAT!r}")
    name = top.text("name")
    days = top.whole("days", low=1, high=_MOST_DAYS)
    weights = _weights(top, days)
    rules = _rules(Fields(top.take("rules"), "rules"))
    benches = tuple(_bench(item, days) for item in top.objects("benches"))
    bench_ids = _ids("benches", (bench.id for bench in benches))
    sources = tuple(_source(item, days, bench_ids) for item in top.objects("sources"))
    source_ids = _ids("sources", (source.id for source in sources))
    meta = _meta(top)
    caps = _shares(meta, SHARE_CAPS, source_ids, least=1)
    targets = _shares(meta, SHARE_TARGETS, source_ids, least=0)
    if sum(targets.values()) > 1000:
        raise FileError(f"meta.{SHARE_TARGETS}", "must not add up to more than 1000")
    sources = tuple(
        replace(source, share_cap_permille=caps.get(source.id), share_target_permille=targets.get(source.id))
        for source in sources
    )
    members = tuple(_member(item) for item in top.objects("members"))
    member_ids = _ids("members", (member.id for member in members))
    bookings = tuple(_booking(item, member_ids, bench_ids, source_ids) for item in top.objects("bookings"))
    by_id = dict(zip(_ids("bookings", (booking.id for booking in bookings)), bookings, strict=True))
    problem = Problem(
        name=name,
        days=days,
        weights=weights,
        rules=rules,
        benches=benches,
        sources=sources,
        members=members,
        bookings=bookings,
        frozen=_placements(top, "frozen", days, by_id, bench_ids, source_ids),
        published=_placements(top, "published", days, by_id, bench_ids, source_ids),
        meta=meta,
    )
    top.done()
    return problem


def problem_to_json(problem: Problem) -> dict[str, Any]:
    """Return the problem as the object of a ``season/1`` file.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    dict
        `problem_from_json` of it gives the same problem again.
    """
    return {
        "format": SEASON_FORMAT,
        "name": problem.name,
        "days": problem.days,
        "weights": list(problem.weights),
        "rules": _without_none(problem.rules, Rules.__slots__),
        "benches": [
            {"id": bench.id, "days": [_without_none(day, BenchDay.__slots__) for day in bench.days]}
            for bench in problem.benches
        ],
        "sources": [_source_to_json(source) for source in problem.sources],
        "members": [{"id": member.id} for member in problem.members],
        "bookings": [_booking_to_json(booking) for booking in problem.bookings],
        "frozen": [placement_to_json(placement) for placement in problem.frozen],
        "published": [placement_to_json(placement) for placement in problem.published],
        "meta": {**problem.meta, **_shares_to_json(problem)},
    }


def placement_to_json(placement: Placement) -> dict[str, Any]:
    """Return a placement with whichever of source and pool it has."""
    return _without_none(placement, Placement.__slots__)


def placement_from_fields(item: Fields, days: int | None = None) -> Placement:
    """Read a placement; ids are for the caller to check."""
    placement = Placement(
        booking=item.text("booking"),
        bench=item.text("bench"),
        day=item.whole("day", low=0, high=None if days is None else days - 1),
        queens=item.whole("queens", low=1, high=_MOST),
        source=item.text("source") if item.has("source") else None,
        pool=item.text("pool") if item.has("pool") else None,
    )
    item.done()
    if (placement.source is None) == (placement.pool is None):
        raise FileError(item.path, "needs either a source or a pool")
    return placement


def _weights(top: Fields, days: int) -> tuple[int, ...]:
    weights = tuple(whole_number(value, path, low=1, high=_MOST) for path, value in top.items("weights"))
    if len(weights) != days:
        raise FileError("weights", f"has {len(weights)} entries, must have one for each of {days} days")
    return weights


def _rules(item: Fields) -> Rules:
    rules = Rules(
        queen_minutes=item.whole("queen_minutes", low=0, high=_MOST),
        setup_minutes=item.whole("setup_minutes", low=0, high=_MOST),
        co2_first_age=item.whole("co2_first_age", low=0, high=_MOST),
        max_source_share_permille=item.whole("max_source_share_permille", low=1, high=1000),
        min_sources=item.whole("min_sources", low=0, high=_MOST),
        min_source_ul10=item.whole("min_source_ul10", low=0, high=_MOST),
        survival_per_day=item.real_or_none("survival_per_day", low=0, high=1),
        drone_first_age=item.whole("drone_first_age", low=0) if item.has("drone_first_age") else None,
        drone_last_age=item.whole("drone_last_age", low=0) if item.has("drone_last_age") else None,
        reserve_level=item.real_or_none("reserve_level", low=0, high=1),
    )
    item.done()
    return rules


def _bench(item: Fields, days: int) -> Bench:
    bench_id = item.name("id")
    found: dict[int, BenchDay] = {}
    for entry in item.objects("days"):
        bench_day = BenchDay(
            day=entry.whole("day", low=0, high=days - 1),
            op_minutes=entry.whole("op_minutes", low=0, high=_MOST),
            collect_drones=entry.whole("collect_drones", low=0, high=_MOST),
            max_queens=entry.whole("max_queens", low=0, high=_MOST),
            co2_capacity=entry.whole("co2_capacity", low=0, high=_MOST),
        )
        if bench_day.day in found:
            entry.refuse("day", f"day {bench_day.day} is listed twice")
        entry.done()
        found[bench_day.day] = bench_day
    item.done()
    return Bench(bench_id, tuple(found.values()))


def _source(item: Fields, days: int, benches: Collection[str]) -> Source:
    source = Source(
        id=item.name("id"),
        md_per_ul10=item.whole("md_per_ul10", low=0, high=_MOST),
        md_fixed=item.whole("md_fixed", low=0, high=_MOST),
        benches=_known(item, "benches", benches),
        cohorts=tuple(_cohort(entry, days) for entry in item.objects("cohorts")),
        usable_fraction=item.real_or_none("usable_fraction", low=0, high=1),
        kappa=item.real_or_none("kappa", low=0),
        ul_per_drone=item.real_or_none("ul_per_drone", low=0),
        cv_volume=item.real_or_none("cv_volume", low=0),
    )
    item.done()
    return source


def _cohort(item: Fields, days: int) -> Cohort:
    cohort = Cohort(
        first_day=item.whole("first_day", low=0, high=days - 1),
        last_day=item.whole("last_day", low=0, high=days - 1),
        stock_eq=item.whole("stock_eq", low=0, high=10**12),
        emerge=item.whole("emerge") if item.has("emerge") else None,
        count=item.whole("count", low=0) if item.has("count") else None,
    )
    if cohort.last_day < cohort.first_day:
        item.refuse("last_day", f"is {cohort.last_day}, before first_day {cohort.first_day}")
    item.done()
    return cohort


def _member(item: Fields) -> Member:
    member = Member(item.name("id"))
    item.done()
    return member


def _booking(item: Fields, members: Collection[str], benches: Collection[str], sources: Collection[str]) -> Booking:
    booking_id = item.name("id")
    member = item.text("member")
    if member not in members:
        item.refuse("member", f"no member {member!r}")
    mode = _mode(item)
    age_min = item.whole("age_min", low=0, high=_MOST)
    age_max = item.whole("age_max", low=0, high=_MOST)
    if age_max < age_min:
        item.refuse("age_max", f"is {age_max}, below age_min {age_min}")
    best_min = item.whole_or("best_min", age_min, low=0, high=_MOST)
    best_max = item.whole_or("best_max", max(best_min, age_max), low=0, high=_MOST)
    if best_max < best_min:
        item.refuse("best_max", f"is {best_max}, below best_min {best_min}")
    pooled = mode == "pool"
    if not pooled:
        for key in ("pool", "min_sources", "part_cap_permille"):
            if item.has(key):
                item.refuse(key, f"belongs to mode 'pool', not to {mode!r}")
    booking = Booking(
        id=booking_id,
        member=member,
        queens=item.whole("queens", low=1, high=10**6),
        emerge=item.whole("emerge", low=-_MOST, high=_MOST),
        ul10=item.whole("ul10", low=1, high=10**6),
        age_min=age_min,
        age_max=age_max,
        best_min=best_min,
        best_max=best_max,
        benches=_known(item, "benches", benches),
        mode=mode,
        sources=_accepted(item, sources),
        excluded=_excluded(item, sources),
        pool=item.name("pool") if item.has("pool") else None,
        min_sources=item.whole("min_sources", low=1, high=_MOST) if pooled else 1,
        part_cap_permille=item.whole("part_cap_permille", low=1, high=1000) if pooled else 1000,
    )
    item.done()
    return booking


def _mode(item: Fields) -> Mode:
    text = item.text("mode")
    for mode in MODES:
        if text == mode:
            return mode
    raise FileError(item.at("mode"), f"is {text!r}, must be one of {', '.join(MODES)}")


def _accepted(item: Fields, sources: Collection[str]) -> tuple[Accepted, ...]:
    found: dict[str, Accepted] = {}
    for entry in item.objects("sources"):
        accepted = Accepted(_one_known(entry, sources, found), entry.whole_or("merit", 0, low=-_MOST, high=_MOST))
        entry.done()
        found[accepted.id] = accepted
    return tuple(found.values())


def _excluded(item: Fields, sources: Collection[str]) -> tuple[Excluded, ...]:
    found: dict[str, Excluded] = {}
    for entry in item.objects("excluded", optional=True):
        excluded = Excluded(
            id=_one_known(entry, sources, found),
            reason=entry.text("reason") if entry.has("reason") else "",
            value=entry.real_or_none("value"),
        )
        entry.done()
        found[excluded.id] = excluded
    return tuple(found.values())


def _one_known(entry: Fields, known: Collection[str], found: Collection[str]) -> str:
    source = entry.text("id")
    if source not in known:
        entry.refuse("id", f"no source {source!r}")
    if source in found:
        entry.refuse("id", f"{source!r} is listed twice")
    return source


def _known(item: Fields, key: str, known: Collection[str]) -> tuple[str, ...]:
    names = item.names(key)
    for position, name in enumerate(names):
        if name not in known:
            raise FileError(f"{item.at(key)}[{position}]", f"no bench {name!r}")
    return names


def _placements(
    top: Fields,
    key: str,
    days: int,
    bookings: dict[str, Booking],
    benches: Collection[str],
    sources: Collection[str],
) -> tuple[Placement, ...]:
    found = []
    for item in top.objects(key):
        placement = placement_from_fields(item, days)
        if placement.booking not in bookings:
            item.refuse("booking", f"no booking {placement.booking!r}")
        if placement.bench not in benches:
            item.refuse("bench", f"no bench {placement.bench!r}")
        if placement.source is not None and placement.source not in sources:
            item.refuse("source", f"no source {placement.source!r}")
        if (bookings[placement.booking].mode == "pool") != (placement.pool is not None):
            item.refuse("pool" if placement.pool else "source", "does not fit the booking's mode")
        found.append(placement)
    return tuple(found)


def _meta(top: Fields) -> dict[str, Any]:
    if not top.has("meta"):
        return {}
    meta = top.take("meta")
    if not isinstance(meta, dict):
        raise FileError("meta", "must be an object")
    return dict(meta)


def _shares(meta: dict[str, Any], key: str, sources: Collection[str], *, least: int) -> dict[str, int]:
    """Take the sources' own shares out of `meta`, by source."""
    shares = meta.pop(key, {})
    if not isinstance(shares, dict):
        raise FileError(f"meta.{key}", "must be an object")
    item = Fields(shares, f"meta.{key}")
    for name in shares:
        if name not in sources:
            raise FileError(f"meta.{key}.{name}", "there is no such source")
    return {name: item.whole(name, low=least, high=1000) for name in shares}


def _shares_to_json(problem: Problem) -> dict[str, dict[str, int]]:
    caps = {s.id: s.share_cap_permille for s in problem.sources if s.share_cap_permille is not None}
    targets = {s.id: s.share_target_permille for s in problem.sources if s.share_target_permille is not None}
    return {key: shares for key, shares in ((SHARE_CAPS, caps), (SHARE_TARGETS, targets)) if shares}


def _ids(key: str, ids: Iterable[str]) -> dict[str, None]:
    found: dict[str, None] = {}
    for position, name in enumerate(ids):
        if name in found:
            raise FileError(f"{key}[{position}].id", f"{name!r} is used twice")
        found[name] = None
    return found


def _source_to_json(source: Source) -> dict[str, Any]:
    data = _without_none(source, [name for name in Source.__slots__ if not name.startswith("share_")])
    data["benches"] = list(source.benches)
    data["cohorts"] = [_without_none(cohort, Cohort.__slots__) for cohort in source.cohorts]
    return data


def _booking_to_json(booking: Booking) -> dict[str, Any]:
    data = _without_none(booking, Booking.__slots__)
    data["benches"] = list(booking.benches)
    data["sources"] = [{"id": accepted.id, "merit": accepted.merit} for accepted in booking.sources]
    data["excluded"] = [_without_none(excluded, Excluded.__slots__) for excluded in booking.excluded]
    if booking.mode != "pool":
        for key in ("min_sources", "part_cap_permille"):
            data.pop(key)
    return data


def _without_none(item: object, names: Iterable[str]) -> dict[str, Any]:
    values = ((name, getattr(item, name)) for name in names)
    return {name: value for name, value in values if value is not None}
