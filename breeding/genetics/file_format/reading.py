"""From the text of a genetics file to plain dataclasses, or a refusal with the path inside the file."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from breeding.genetics.crosses import Cross
from breeding.genetics.file_format.fields import Field
from breeding.genetics.mixed_model import require_positive_definite
from breeding.genetics.parameters import check_parameters
from breeding.genetics.pedigree import (
    Batch,
    Drone,
    DroneShare,
    Mating,
    OneSource,
    Open,
    Pedigree,
    Pool,
    Queen,
    SharedBatch,
    SingleDrone,
    SisterGroup,
    Station,
    check_pedigree,
)
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.types import Floats, InputError

FORMAT = "genetics/1"
SECTIONS = (
    "relationship", "inbreeding", "values", "merit", "variance_components", "brood_viability", "crosses",
    "contributions",
)  # fmt: skip
# Keys beside the traits in a cross of the result; a trait of that name would hide them.
RESERVED = ("queen", "sources", "F_workers", "merit")


@dataclass(frozen=True)
class ViabilityAsk:
    alleles: int | Mapping[str, float]
    matings: tuple[str, ...]
    crosses: tuple[Cross, ...]
    genotypes: Mapping[str, tuple[str, ...]]
    replicates: int = 20_000
    seed: int = 1


@dataclass(frozen=True)
class ComponentsAsk:
    G0: Floats
    R0: Floats
    permanent: Floats | None
    max_rounds: int = 100


@dataclass(frozen=True)
class ContributionsAsk:
    dam_path: tuple[str, ...]
    drone_path: tuple[str, ...]
    max_coancestry: tuple[float, ...]
    cap: Mapping[str, float]


@dataclass(frozen=True)
class Request:
    """A whole file. ``relationship`` is True for all queens, worker groups and drones."""

    pedigree: Pedigree
    records: tuple[Record, ...]
    model: ModelSpec
    parameters: Parameters | None
    relationship: tuple[str, ...] | Literal[True] | None = None
    inbreeding: bool = False
    values: bool = False
    merit: Mapping[str, float] | None = None
    components: ComponentsAsk | None = None
    viability: ViabilityAsk | None = None
    crosses: tuple[Cross, ...] | None = None
    contributions: ContributionsAsk | None = None


def read_text(text: str) -> Request:
    """Read a genetics file.

    Raises
    ------
    InputError
        Not JSON, an unknown or missing key, a value that does not fit; with the path inside the file.
    """
    try:
        document = json.loads(text, object_pairs_hook=_no_key_twice, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise InputError(f"line {error.lineno} column {error.colno}", f"not JSON: {error.msg}") from error
    except RecursionError as error:
        raise InputError("file", "nested too deeply") from error
    return read_request(document)


def read_request(document: Any) -> Request:
    """Check a parsed document and turn it into dataclasses."""
    top = Field(document).object(required=("format", "pedigree", "ask"), optional=("records", "model", "parameters"))
    if top["format"].text() != FORMAT:
        raise top["format"].refuse(f'must be "{FORMAT}", not "{top["format"].value}"')
    pedigree = _pedigree(top["pedigree"])
    check_pedigree(pedigree)
    model = _model(top["model"]) if "model" in top else ModelSpec()
    parameters = _parameters(top["parameters"], model) if "parameters" in top else None
    traits = parameters.traits if parameters else None
    records = _records(top["records"], pedigree, model, traits) if "records" in top else ()
    ask = top["ask"].object(optional=SECTIONS)
    request = _asked(ask, pedigree, records, model, parameters)
    needs = [name for name in ("values", "merit", "variance_components", "contributions") if _wanted(ask[name])]
    for name in needs:
        for section in ("records", "model", "parameters"):
            if section not in top:
                raise top[section].refuse(f"is missing; ask.{name} needs it")
    return request


def _asked(
    ask: Field,
    pedigree: Pedigree,
    records: tuple[Record, ...],
    model: ModelSpec,
    parameters: Parameters | None,
) -> Request:
    return Request(
        pedigree,
        records,
        model,
        parameters,
        relationship=_relationship(ask["relationship"]),
        inbreeding="inbreeding" in ask and ask["inbreeding"].flag(),
        values="values" in ask and ask["values"].flag(),
        merit=_merit(ask["merit"], parameters) if "merit" in ask else None,
        components=_components(ask["variance_components"], model, parameters) if "variance_components" in ask else None,
        viability=_viability(ask["brood_viability"]) if "brood_viability" in ask else None,
        crosses=tuple(_cross(c) for c in ask["crosses"].list()) if "crosses" in ask else None,
        contributions=_contributions(ask["contributions"], ask, parameters) if "contributions" in ask else None,
    )


def _wanted(section: Field) -> bool:
    return section.value not in (None, False)


def _pedigree(field: Field) -> Pedigree:
    field.object(required=("queens",), optional=("drones", "batches", "groups", "matings"))
    queens: list[Queen] = []
    for row in field["queens"].list():
        row.object(required=("id",), optional=("dam", "group"))
        queens.append(Queen(row["id"].text(), _maybe(row["dam"]), _maybe(row["group"])))
    drones: list[Drone] = []
    for row in _rows(field, "drones"):
        row.object(required=("id",), optional=("dam",))
        drones.append(Drone(row["id"].text(), _maybe(row["dam"])))
    batches: list[Batch] = []
    for row in _rows(field, "batches"):
        row.object(required=("id", "dpqs"))
        batches.append(Batch(row["id"].text(), _shares(row["dpqs"])))
    groups: list[SisterGroup] = []
    for row in _rows(field, "groups"):
        row.object(required=("id", "n_dpq"), optional=("dam",))
        groups.append(SisterGroup(row["id"].text(), _maybe(row["dam"]), row["n_dpq"].count()))
    matings: dict[str, Mating] = {}
    if "matings" in field:
        matings = {id_: _mating(row) for id_, row in field["matings"].items()}
    return Pedigree(tuple(queens), matings, tuple(drones), tuple(batches), tuple(groups))


def _rows(field: Field, key: str) -> list[Field]:
    return field[key].list() if key in field else []


def _maybe(field: Field) -> str | None:
    return None if field.empty else field.text()


def _shares(field: Field) -> tuple[DroneShare, ...]:
    made: list[DroneShare] = []
    for row in field.list():
        row.object(required=("id", "weight", "n_drones"))
        made.append(DroneShare(row["id"].text(), row["weight"].positive(), row["n_drones"].count_or_many()))
    return tuple(made)


def _mating(field: Field) -> Mating:
    if not isinstance(field.value, dict):
        field.object()
    if "type" not in field:
        raise field["type"].refuse("is missing")
    match field["type"].choice("single_drone", "dpq", "pool", "batch", "station", "open"):
        case "single_drone":
            field.object(required=("type", "drone"))
            return SingleDrone(field["drone"].text())
        case "dpq":
            field.object(required=("type", "dpq", "n_drones"))
            return OneSource(field["dpq"].text(), field["n_drones"].count_or_many())
        case "pool":
            field.object(required=("type", "dpqs"))
            return Pool(_shares(field["dpqs"]))
        case "batch":
            field.object(required=("type", "batch"))
            return SharedBatch(field["batch"].text())
        case "station":
            field.object(required=("type", "group", "n_drones"))
            return Station(field["group"].text(), field["n_drones"].count_or_many())
    field.object(required=("type", "n_drones"), optional=("group",))
    return Open(field["n_drones"].count_or_many(), _maybe(field["group"]))


def _model(field: Field) -> ModelSpec:
    field.object(optional=("fixed", "covariates", "permanent_colony", "groups"))
    groups: Literal["none", "fixed"] = "none"
    if "groups" in field and field["groups"].choice("none", "fixed") == "fixed":
        groups = "fixed"
    return ModelSpec(
        _distinct(field, "fixed"),
        _distinct(field, "covariates"),
        "permanent_colony" in field and field["permanent_colony"].flag(),
        groups,
    )


def _distinct(field: Field, key: str) -> tuple[str, ...]:
    made: list[str] = []
    for row in _rows(field, key):
        if row.text() in made:
            raise row.refuse(f'"{row.value}" stands twice')
        made.append(row.text())
    return tuple(made)


def _parameters(field: Field, model: ModelSpec) -> Parameters:
    field.object(required=("traits", "G0", "R0"), optional=("permanent",))
    traits = _distinct(field, "traits")
    for row in field["traits"].list():
        if row.value in RESERVED:
            raise row.refuse(f'"{row.value}" cannot be the name of a trait')
    t = len(traits)
    if not t:
        raise field["traits"].refuse("needs at least one trait")
    if model.permanent_colony and "permanent" not in field:
        raise field["permanent"].refuse("is missing; model.permanent_colony needs it")
    permanent = field["permanent"].matrix(t) if "permanent" in field else None
    made = Parameters(traits, field["G0"].matrix(2 * t), field["R0"].matrix(t), permanent)
    check_parameters(made)
    return made


def _records(field: Field, pedigree: Pedigree, model: ModelSpec, traits: tuple[str, ...] | None) -> tuple[Record, ...]:
    queens = {q.id for q in pedigree.queens}
    made: list[Record] = []
    for row in field.list():
        row.object(required=("queen", "values"), optional=("fixed", "covariates"))
        queen = row["queen"].text()
        if queen not in queens:
            raise row["queen"].refuse(f'unknown queen "{queen}"')
        fixed = {k: v.level() for k, v in row["fixed"].items()} if "fixed" in row else {}
        covariates = {k: v.number() for k, v in row["covariates"].items()} if "covariates" in row else {}
        for factor in model.fixed:
            if factor not in fixed:
                raise row["fixed"][factor].refuse("is missing; the model needs it")
        for covariate in model.covariates:
            if covariate not in covariates:
                raise row["covariates"][covariate].refuse("is missing; the model needs it")
        values: dict[str, float | None] = {}
        for trait, value in row["values"].items():
            if traits is not None and trait not in traits:
                raise value.refuse(f'unknown trait "{trait}"')
            values[trait] = None if value.empty else value.number()
        made.append(Record(queen, values, fixed, covariates))
    return tuple(made)


def _relationship(field: Field) -> tuple[str, ...] | Literal[True] | None:
    if field.value is True:
        return True
    if field.empty or field.value is False:
        return None
    return tuple(row.text() for row in field.list())


def _merit(field: Field, parameters: Parameters | None) -> dict[str, float]:
    field.object(required=("weights",))
    weights = {trait: w.number() for trait, w in field["weights"].items()}
    for trait in weights:
        if parameters is not None and trait not in parameters.traits:
            raise field["weights"][trait].refuse(f'unknown trait "{trait}"')
    if not any(weights.values()):
        raise field["weights"].refuse("needs at least one weight other than 0")
    return weights


def _components(field: Field, model: ModelSpec, parameters: Parameters | None) -> ComponentsAsk:
    field.object(optional=("start", "max_rounds"))
    if parameters is None:
        raise InputError("parameters", "is missing; ask.variance_components needs it")
    t = len(parameters.traits)
    G0, R0, permanent = parameters.G0, parameters.R0, parameters.permanent
    if "start" in field:
        start = field["start"].object(optional=("G0", "R0", "permanent"))
        G0 = _start(start, "G0", 2 * t, G0)
        R0 = _start(start, "R0", t, R0)
        if permanent is not None:
            permanent = _start(start, "permanent", t, permanent)
    rounds = field["max_rounds"].count() if "max_rounds" in field else 100
    return ComponentsAsk(G0, R0, permanent if model.permanent_colony else None, rounds)


def _start(start: Field, key: str, size: int, otherwise: Floats) -> Floats:
    if key not in start:
        return otherwise
    made = start[key].matrix(size)
    require_positive_definite(made, start[key].path)
    return made


def _cross(field: Field, *, drones: bool = False) -> Cross:
    field.object(required=("queen", "sources"), optional=("n_drones",) if drones else ())
    sources = {id_: weight.positive() for id_, weight in field["sources"].items()}
    n = field["n_drones"].count_or_many() if drones else None
    return Cross(field["queen"].text(), sources, n)


def _viability(field: Field) -> ViabilityAsk:
    field.object(required=("alleles",), optional=("matings", "crosses", "genotypes", "replicates", "seed"))
    alleles: int | dict[str, float]
    if isinstance(field["alleles"].value, dict):
        alleles = {name: p.positive() for name, p in field["alleles"].items()}
    else:
        alleles = field["alleles"].count()
    genotypes: dict[str, tuple[str, ...]] = {}
    if "genotypes" in field:
        for id_, row in field["genotypes"].items():
            genotypes[id_] = tuple(a.text() for a in row.list())
    seed = field["seed"].number() if "seed" in field else 1.0
    if seed != int(seed) or seed < 0:
        raise field["seed"].refuse("must be a whole number from 0 on")
    return ViabilityAsk(
        alleles,
        tuple(row.text() for row in _rows(field, "matings")),
        tuple(_cross(row, drones=True) for row in _rows(field, "crosses")),
        genotypes,
        field["replicates"].count() if "replicates" in field else 20_000,
        int(seed),
    )


def _contributions(field: Field, ask: Field, parameters: Parameters | None) -> ContributionsAsk:
    field.object(required=("dam_path", "drone_path", "max_coancestry"), optional=("cap",))
    if parameters is not None and len(parameters.traits) > 1 and "merit" not in ask:
        raise ask["merit"].refuse("is missing; contributions over several traits need its weights")
    ceilings = field["max_coancestry"]
    thetas = ceilings.list() if isinstance(ceilings.value, list) else [ceilings]
    cap: dict[str, float] = {}
    if "cap" in field:
        for id_, row in field["cap"].items():
            cap[id_] = row.number()
    return ContributionsAsk(
        _distinct(field, "dam_path"),
        _distinct(field, "drone_path"),
        tuple(theta.positive() for theta in thetas),
        cap,
    )


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise InputError("file", f'key "{twice}" stands twice in one object')
    return made


def _no_constant(name: str) -> float:
    raise InputError("file", f"{name} is no number of JSON")
