"""From the text of a genetics file to plain dataclasses, or a refusal with the path inside the file."""

import json
from dataclasses import dataclass
from typing import Any, Literal

from breeding.genetics.file_format.asking import NEEDING_RECORDS, Asked, read_asked
from breeding.genetics.file_format.fields import Field, Object
from breeding.genetics.file_format.tables import Lines, OpenTable, pedigree_of_tables, records_of_table
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
from breeding.genetics.types import InputError

FORMAT = "genetics/1"
# Keys beside the traits in units and crosses of the result; a trait of that name would hide them.
RESERVED = ("queen", "sources", "F_workers", "merit", "rel_merit")


@dataclass(frozen=True)
class Request:
    """A whole file. ``lines`` says where its tables hold what, None without tables."""

    pedigree: Pedigree
    records: tuple[Record, ...]
    model: ModelSpec
    parameters: Parameters | None
    asked: Asked
    lines: Lines | None = None

    @property
    def as_tables(self) -> bool:
        """Whether the pedigree came as CSV tables, so that the result goes back as tables."""
        return self.lines is not None


def read_text(text: str, open_table: OpenTable | None = None) -> Request:
    """Read and check a genetics file.

    Parameters
    ----------
    open_table : gives the lines of a CSV table of a folder, None where there is no such table; without
        it a file that names a folder is refused.

    Raises
    ------
    InputError
        What is wrong, with its path inside the file, or with the table and its line.
    """
    try:
        document = json.loads(text, object_pairs_hook=Object.of_pairs)
    except json.JSONDecodeError as error:
        raise InputError(f"line {error.lineno} column {error.colno}", f"not JSON: {error.msg}") from error
    except RecursionError as error:
        raise InputError("file", "nested too deeply") from error
    except ValueError as error:  # a whole number of thousands of digits
        raise InputError("file", f"not JSON: {error}") from error
    return read_request(document, open_table)


def read_request(document: Any, open_table: OpenTable | None = None) -> Request:
    """Check a parsed document and turn it into dataclasses."""
    top = Field(document).object(required=("format", "pedigree", "ask"), optional=("records", "model", "parameters"))
    if top["format"].text() != FORMAT:
        raise top["format"].refuse(f'must be "{FORMAT}", not "{top["format"].value}"')
    model = _model(top["model"]) if "model" in top else ModelSpec()
    parameters = _parameters(top["parameters"], model) if "parameters" in top else None
    traits = parameters.traits if parameters else None
    records: tuple[Record, ...] = ()
    lines: Lines | None = None
    if "csv" in top["pedigree"]:
        pedigree, lines = _tables(top["pedigree"], open_table)
        check_pedigree(pedigree)
        if "records" not in top:
            records = records_of_table(lines, pedigree, model, traits)
    else:
        pedigree = _pedigree(top["pedigree"])
        check_pedigree(pedigree)
    if "records" in top:
        if lines is not None and lines.has_records:
            raise top["records"].refuse("stand in records.csv already; give them once")
        records = _records(top["records"], pedigree, model, traits)
    asked = read_asked(top["ask"], model, parameters)
    for name in NEEDING_RECORDS:
        if top["ask"][name].value in (None, False):
            continue
        for section in ("records", "model", "parameters"):
            if section not in top and not (section == "records" and lines is not None and lines.has_records):
                raise top[section].refuse(f"is missing; ask.{name} needs it")
    return Request(pedigree, records, model, parameters, asked, lines)


def _tables(field: Field, open_table: OpenTable | None) -> tuple[Pedigree, Lines]:
    field.object(required=("csv",))
    folder = field["csv"].text()
    if open_table is None:
        raise field["csv"].refuse("tables cannot be read here")
    lines = Lines(folder, open_table)
    return pedigree_of_tables(lines), lines


def _pedigree(field: Field) -> Pedigree:
    field.object(required=("queens",), optional=("drones", "batches", "groups", "matings"))
    queens: list[Queen] = []
    for row in field["queens"].list():
        row.object(required=("id",), optional=("dam", "group"))
        queens.append(Queen(row["id"].text(), row["dam"].maybe(), row["group"].maybe()))
    drones: list[Drone] = []
    for row in field.rows("drones"):
        row.object(required=("id",), optional=("dam",))
        drones.append(Drone(row["id"].text(), row["dam"].maybe()))
    batches: list[Batch] = []
    for row in field.rows("batches"):
        row.object(required=("id", "dpqs"))
        batches.append(Batch(row["id"].text(), _shares(row["dpqs"])))
    groups: list[SisterGroup] = []
    for row in field.rows("groups"):
        row.object(required=("id", "n_dpq"), optional=("dam",))
        groups.append(SisterGroup(row["id"].text(), row["dam"].maybe(), row["n_dpq"].count()))
    matings: dict[str, Mating] = {}
    if "matings" in field:
        matings = {id_: _mating(row) for id_, row in field["matings"].items()}
    return Pedigree(tuple(queens), matings, tuple(drones), tuple(batches), tuple(groups))


def _shares(field: Field) -> tuple[DroneShare, ...]:
    made: list[DroneShare] = []
    for row in field.list():
        row.object(required=("id", "weight", "n_drones"))
        made.append(DroneShare(row["id"].text(), row["weight"].positive(), row["n_drones"].count_or_many()))
    return tuple(made)


def _mating(field: Field) -> Mating:
    for key, _ in field.items():
        if key == "type":
            break
    else:
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
    return Open(field["n_drones"].count_or_many(), field["group"].maybe())


def _model(field: Field) -> ModelSpec:
    field.object(optional=("fixed", "covariates", "permanent_colony", "groups"))
    groups: Literal["none", "fixed"] = "none"
    if "groups" in field and field["groups"].choice("none", "fixed") == "fixed":
        groups = "fixed"
    return ModelSpec(
        field.names("fixed"),
        field.names("covariates"),
        "permanent_colony" in field and field["permanent_colony"].flag(),
        groups,
    )


def _parameters(field: Field, model: ModelSpec) -> Parameters:
    field.object(required=("traits", "G0", "R0"), optional=("permanent",))
    traits = field.names("traits")
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
            values[trait] = None if value.value is None else value.number()
        made.append(Record(queen, values, fixed, covariates))
    return tuple(made)
