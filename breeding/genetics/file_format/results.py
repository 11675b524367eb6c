"""The result document as text, or as CSV tables with what is left as a small document beside them."""

import csv
import io
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

SUMMARY = "result.json"
# Documents below this size [characters] are indented to be read by people.
READABLE = 200_000
EFFECTS = ("worker", "queen", "sum", "rel_worker", "rel_queen", "rel_sum")
VIABILITY = ("expected", "se", "low5", "high95", "inbreeding_only")


@dataclass(frozen=True)
class ResultTable:
    name: str
    head: tuple[str, ...]
    rows: Iterable[tuple[Any, ...]]

    def lines(self) -> Iterator[str]:
        """The table as CSV, line by line; numbers with all their digits, nothing for what has no value."""
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        writer.writerow(self.head)
        for row in self.rows:
            writer.writerow(["" if cell is None else cell for cell in row])
            if buffer.tell() > 1 << 16:
                yield buffer.getvalue()
                buffer.seek(0)
                buffer.truncate()
        yield buffer.getvalue()


def result_text(document: dict[str, Any]) -> str:
    """The document as JSON; floats in the shortest form that gives the same number back."""
    short = json.dumps(document, ensure_ascii=False, allow_nan=False)
    if len(short) > READABLE:
        return short + "\n"
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def result_tables(document: dict[str, Any]) -> tuple[list[ResultTable], dict[str, Any]]:
    """Tables of what was asked, and the document of what is not one row per something."""
    tables: list[ResultTable] = []
    rest = dict(document)
    if "relationship" in rest:
        found = rest.pop("relationship")
        units = found["units"]
        rows = ((unit, *row) for unit, row in zip(units, found["A"], strict=True))
        tables.append(ResultTable("relationship.csv", ("unit", *units), rows))
    if "inbreeding" in rest:
        tables.append(_inbreeding(rest.pop("inbreeding")))
    if "values" in rest:
        values = dict(rest.pop("values"))
        tables += _values(values)
        rest["values"] = values
    if "brood_viability" in rest:
        viability = dict(rest.pop("brood_viability"))
        tables.append(_viability(viability))
        rest["brood_viability"] = viability
    if "crosses" in rest:
        tables.append(_crosses(rest.pop("crosses")))
    if "contributions" in rest:
        contributions = dict(rest.pop("contributions"))
        tables.append(_contributions(contributions["solutions"]))
        contributions["solutions"] = [
            {key: s[key] for key in ("max_coancestry", "gain", "status")} for s in contributions["solutions"]
        ]
        rest["contributions"] = contributions
    return tables, rest


def _inbreeding(found: dict[str, Any]) -> ResultTable:
    workers, known = found["workers"], found["known_generations"]
    rows = ((id_, F, workers.get(id_), known[id_]) for id_, F in found["queens"].items())
    return ResultTable("inbreeding.csv", ("queen", "F_queen", "F_workers", "known_generations"), rows)


def _values(values: dict[str, Any]) -> Iterator[ResultTable]:
    units = values.pop("units")
    with_merit = any("merit" in found for found in units.values())
    traits = next(([k for k in found if k not in ("merit", "rel_merit")] for found in units.values()), [])
    if traits:
        rows = ((unit, t, *(found[t][e] for e in EFFECTS)) for unit, found in units.items() for t in traits)
        yield ResultTable("values.csv", ("unit", "trait", *EFFECTS), rows)
    if with_merit:
        merits = ((unit, found["merit"], found["rel_merit"]) for unit, found in units.items())
        yield ResultTable("merit.csv", ("unit", "merit", "rel_merit"), merits)
    if "performance" in values:
        performance = values.pop("performance")
        own = ((queen, t, p["value"], p["rel"]) for queen, found in performance.items() for t, p in found.items())
        yield ResultTable("performance.csv", ("queen", "trait", "value", "rel"), own)
    if "fixed" in values:
        fixed = values.pop("fixed")
        effects = ((t, name, value) for t, found in fixed.items() for name, value in found.items())
        yield ResultTable("fixed.csv", ("trait", "effect", "value"), effects)
    if "groups" in values:
        groups = values.pop("groups")
        shifts = ((t, name, g["worker"], g["queen"]) for t, found in groups.items() for name, g in found.items())
        yield ResultTable("groups.csv", ("trait", "group", "worker", "queen"), shifts)


def _sources(sources: dict[str, float]) -> str:
    return json.dumps(sources, ensure_ascii=False)


def _viability(found: dict[str, Any]) -> ResultTable:
    matings = [(id_, None, None, *(v[key] for key in VIABILITY)) for id_, v in found.pop("matings").items()]
    crosses = [
        (c["queen"], _sources(c["sources"]), c["n_drones"], *(c[key] for key in VIABILITY))
        for c in found.pop("crosses")
    ]
    return ResultTable("brood_viability.csv", ("queen", "sources", "n_drones", *VIABILITY), [*matings, *crosses])


def _crosses(crosses: list[dict[str, Any]]) -> ResultTable:
    plain = ("queen", "sources", "F_workers", "merit")
    traits = [key for key in (crosses[0] if crosses else {}) if key not in plain]
    head = ["queen", "sources", "F_workers"]
    head += [f"{trait} {key}" for trait in traits for key in ("worker", "queen", "performance")]
    rows = (
        (
            c["queen"], _sources(c["sources"]), c["F_workers"],
            *(c[trait][key] for trait in traits for key in ("worker", "queen", "performance")),
            c.get("merit"),
        )
        for c in crosses
    )  # fmt: skip
    return ResultTable("crosses.csv", (*head, "merit"), rows)


def _contributions(solutions: list[dict[str, Any]]) -> ResultTable:
    rows = (
        (s["max_coancestry"], path, name, share)
        for s in solutions
        for path in ("dam_path", "drone_path")
        for name, share in s[path].items()
    )
    return ResultTable("contributions.csv", ("max_coancestry", "path", "candidate", "share"), rows)
