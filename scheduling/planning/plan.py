"""The plan: placements, pools, CO2 rounds and how good it is; and its exchange file ``plan/1``."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from .problem import Placement
from .problem_file import placement_from_fields, placement_to_json
from .reading import Fields, FileError, json_from_text

PLAN_FORMAT = "plan/1"


@dataclass(frozen=True, slots=True)
class Part:
    """One source's semen in a pool. ``ul10`` is a real number of tenths of a microlitre."""

    source: str
    ul10: float


@dataclass(frozen=True, slots=True)
class Pool:
    """Homogenised semen made in one session."""

    id: str
    bench: str
    day: int
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Co2:
    """How many of a session's queens get their other CO2 treatment the day before, and the day after."""

    bench: str
    day: int
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Reason:
    """Why queens have no place.

    Parameters
    ----------
    key : str
        One of the keys of `reasons.REASONS`.
    numbers : dict
        What the sentence needs: ids and whole numbers with their unit in the name.
    gain : int, optional
        Queens that would get a place if just this, with what is also in the way there, were lifted; None when not
        worked out. [queens]
    also : tuple of Reason
        What else is in the way at the same place; empty when this is all.
    """

    key: str
    numbers: dict[str, int | str] = field(default_factory=dict)
    gain: int | None = None
    also: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class Unserved:
    """Queens of one booking without a place, with the reasons, the plainest first."""

    booking: str
    queens: int
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class Result:
    """How good a plan is and how it came about.

    Parameters
    ----------
    served, requested : int
        Queens placed and asked for. [queens]
    fair : float
        Lowest served share of a member who can be served at all. [-]
    bound_served : int
        Proven: no plan that keeps the rules serves more. [queens]
    gap : float
        ``(bound_served - served) / bound_served``, 0 when the bound is 0. [-]
    status : str
        ``optimal``: proven for the goal asked. ``feasible``: time or the person ended the search.
        ``infeasible``: no plan that keeps every rule was found. ``empty``: there is nothing to place.
    seconds, peak_mb : float
        CPU time, and largest memory of the process so far. [s], [MB]
    """

    served: int
    requested: int
    fair: float
    bound_served: int
    gap: float
    status: str
    solver: str
    seed: int
    seconds: float
    peak_mb: float
    unserved: tuple[Unserved, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan for a season."""

    season: str
    assign: tuple[Placement, ...] = ()
    pools: tuple[Pool, ...] = ()
    co2: tuple[Co2, ...] = ()
    result: Result | None = None


def plan_from_text(text: str) -> Plan:
    """Read a ``plan/1`` file's text; see `plan_from_json`."""
    return plan_from_json(json_from_text(text))


def plan_from_json(data: Any) -> Plan:
    """Read a parsed ``plan/1`` file.

    Parameters
    ----------
    data : Any
        What `json.loads` gave. ``result`` may be missing: a plan made by hand has none.

    Returns
    -------
    Plan
        Ids are not compared with any problem: that is the checker's work.

    Raises
    ------
    FileError
        On an unknown or missing key or an impossible value, with the path inside the file.
    """
    top = Fields(data)
    if top.take("format") != PLAN_FORMAT:
        raise FileError("format", f"must be {PLAN_FORMAT!r}")
    plan = Plan(
        season=top.text("season"),
        assign=tuple(placement_from_fields(item) for item in top.objects("assign")),
        pools=tuple(_pool(item) for item in top.objects("pools")),
        co2=tuple(_co2(item) for item in top.objects("co2")),
        result=_result(Fields(top.take("result"), "result")) if top.has("result") else None,
    )
    top.done()
    return plan


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """Return the plan as the object of a ``plan/1`` file.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        `plan_from_json` of it gives the same plan again.
    """
    data: dict[str, Any] = {
        "format": PLAN_FORMAT,
        "season": plan.season,
        "assign": [placement_to_json(placement) for placement in plan.assign],
        "pools": [
            {
                "id": pool.id,
                "bench": pool.bench,
                "day": pool.day,
                "parts": [{"source": part.source, "ul10": part.ul10} for part in pool.parts],
            }
            for pool in plan.pools
        ],
        "co2": [{"bench": co2.bench, "day": co2.day, "before": co2.before, "after": co2.after} for co2 in plan.co2],
    }
    if plan.result is not None:
        data["result"] = _result_to_json(plan.result)
    return data


def _pool(item: Fields) -> Pool:
    pool = Pool(
        id=item.name("id"),
        bench=item.text("bench"),
        day=item.whole("day", low=0),
        parts=tuple(_part(part) for part in item.objects("parts")),
    )
    item.done()
    return pool


def _part(item: Fields) -> Part:
    part = Part(item.text("source"), item.real("ul10", low=0, high=1e9))
    item.done()
    return part


def _co2(item: Fields) -> Co2:
    co2 = Co2(item.text("bench"), item.whole("day", low=0), item.whole("before", low=0), item.whole("after", low=0))
    item.done()
    return co2


def _result(item: Fields) -> Result:
    # Plans of other programs are welcome to the checker: how they call their status and reasons is theirs.
    return Result(
        served=item.whole("served", low=0),
        requested=item.whole("requested", low=0),
        fair=item.real("fair", low=0, high=1) if item.has("fair") else 0.0,
        bound_served=item.whole("bound_served", low=0) if item.has("bound_served") else 0,
        gap=item.real("gap") if item.has("gap") else 0.0,
        status=item.name("status") if item.has("status") else "feasible",
        solver=item.text("solver") if item.has("solver") else "",
        seed=item.whole_or("seed", 0),
        seconds=item.real("seconds", low=0) if item.has("seconds") else 0.0,
        peak_mb=item.real("peak_mb", low=0) if item.has("peak_mb") else 0.0,
        unserved=tuple(_unserved(entry) for entry in item.objects("unserved", optional=True)),
    )


def _unserved(item: Fields) -> Unserved:
    unserved = Unserved(
        booking=item.text("booking"),
        queens=item.whole("queens", low=1),
        reasons=tuple(_reason(path, entry) for path, entry in item.items("reasons", optional=True)),
    )
    item.done()
    return unserved


def _reason(path: str, value: Any, *, alone: bool = False) -> Reason:
    if isinstance(value, str):
        return Reason(value)
    item = Fields(value, path)
    key = item.name("key")
    raw = item.take("numbers") if item.has("numbers") else {}
    if not isinstance(raw, dict):
        item.refuse("numbers", "must be an object")
    numbers = {str(name): entry if isinstance(entry, int) else str(entry) for name, entry in raw.items()}
    gain = item.whole("gain", low=0) if item.has("gain") else None
    # One level only: what is also in the way has no company of its own.
    also = () if alone else tuple(_reason(at, entry, alone=True) for at, entry in item.items("also", optional=True))
    return Reason(key, numbers, gain, also)


def _result_to_json(result: Result) -> dict[str, Any]:
    data: dict[str, Any] = {name: getattr(result, name) for name in Result.__slots__ if name != "unserved"}
    data["unserved"] = [
        {
            "booking": unserved.booking,
            "queens": unserved.queens,
            "reasons": [reason_to_json(reason) for reason in unserved.reasons],
        }
        for unserved in result.unserved
    ]
    return data


def reason_to_json(reason: Reason) -> dict[str, Any]:
    """Return a reason as it stands in a file: its numbers, and gain and company where there are any."""
    data: dict[str, Any] = {"key": reason.key, "numbers": dict(reason.numbers)}
    if reason.gain is not None:
        data["gain"] = reason.gain
    if reason.also:
        data["also"] = [reason_to_json(other) for other in reason.also]
    return data
