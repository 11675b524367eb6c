"""The questions of a genetics file: checked and turned into dataclasses."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from breeding.genetics.crosses import Cross
from breeding.genetics.file_format.fields import Field
from breeding.genetics.parameters import check_parameters
from breeding.genetics.records import ModelSpec, Parameters
from breeding.genetics.types import Floats, InputError

SECTIONS = (
    "relationship", "inbreeding", "values", "merit", "variance_components", "brood_viability", "crosses",
    "contributions",
)  # fmt: skip
# What cannot be answered without records, model and parameters.
NEEDING_RECORDS = ("values", "merit", "variance_components", "contributions")
# Drones are followed one by one in each replicate; sex alleles are numbered in 16 bits.
MOST_DRONES, MOST_ALLELES, MOST_REPLICATES = 10_000, 32_000, 10_000_000


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
class Asked:
    """All questions. ``relationship`` is True for all queens, worker groups and drones."""

    relationship: tuple[str, ...] | Literal[True] | None = None
    inbreeding: bool = False
    values: bool = False
    merit: Mapping[str, float] | None = None
    components: ComponentsAsk | None = None
    viability: ViabilityAsk | None = None
    crosses: tuple[Cross, ...] | None = None
    contributions: ContributionsAsk | None = None


def read_asked(ask: Field, model: ModelSpec, parameters: Parameters | None) -> Asked:
    """The questions below ``ask``, which may also say ``false`` to those without details."""
    ask.object(optional=SECTIONS)
    return Asked(
        relationship=_relationship(ask["relationship"]) if "relationship" in ask else None,
        inbreeding="inbreeding" in ask and ask["inbreeding"].flag(),
        values="values" in ask and ask["values"].flag(),
        merit=_merit(ask["merit"], parameters) if "merit" in ask else None,
        components=_components(ask["variance_components"], model, parameters) if "variance_components" in ask else None,
        viability=_viability(ask["brood_viability"]) if "brood_viability" in ask else None,
        crosses=tuple(_cross(c) for c in ask["crosses"].list()) if "crosses" in ask else None,
        contributions=_contributions(ask["contributions"], ask, parameters) if "contributions" in ask else None,
    )


def _relationship(field: Field) -> tuple[str, ...] | Literal[True] | None:
    if field.value is True:
        return True
    if field.value is False:
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
    G0, R0 = parameters.G0, parameters.R0
    permanent = parameters.permanent if model.permanent_colony else None
    if "start" in field:
        start = field["start"].object(optional=("G0", "R0", "permanent"))
        if "permanent" in start and permanent is None:
            raise start["permanent"].refuse("the model has no permanent colony effect")
        G0 = start["G0"].matrix(2 * t) if "G0" in start else G0
        R0 = start["R0"].matrix(t) if "R0" in start else R0
        permanent = start["permanent"].matrix(t) if "permanent" in start else permanent
        check_parameters(Parameters(parameters.traits, G0, R0, permanent), path=start.path)
    rounds = field["max_rounds"].count() if "max_rounds" in field else 100
    return ComponentsAsk(G0, R0, permanent, rounds)


def _cross(field: Field, *, drones: bool = False) -> Cross:
    field.object(required=("queen", "sources"), optional=("n_drones",) if drones else ())
    sources = {id_: weight.positive() for id_, weight in field["sources"].items()}
    n = field["n_drones"].count_or_many(most=MOST_DRONES) if drones else None
    return Cross(field["queen"].text(), sources, n)


def _viability(field: Field) -> ViabilityAsk:
    field.object(required=("alleles",), optional=("matings", "crosses", "genotypes", "replicates", "seed"))
    alleles: int | dict[str, float]
    if isinstance(field["alleles"].value, dict):
        alleles = {name: p.positive() for name, p in field["alleles"].items()}
    else:
        alleles = field["alleles"].count(most=MOST_ALLELES)
    genotypes: dict[str, tuple[str, ...]] = {}
    if "genotypes" in field:
        for id_, row in field["genotypes"].items():
            genotypes[id_] = tuple(a.text() for a in row.list())
    seed = field["seed"].number() if "seed" in field else 1.0
    if seed != int(seed) or seed < 0:
        raise field["seed"].refuse("must be a whole number from 0 on")
    return ViabilityAsk(
        alleles,
        field.names("matings"),
        tuple(_cross(row, drones=True) for row in field.rows("crosses")),
        genotypes,
        field["replicates"].count(most=MOST_REPLICATES) if "replicates" in field else 20_000,
        int(seed),
    )


def _contributions(field: Field, ask: Field, parameters: Parameters | None) -> ContributionsAsk:
    field.object(required=("dam_path", "drone_path", "max_coancestry"), optional=("cap",))
    if parameters is not None and len(parameters.traits) > 1 and "merit" not in ask:
        raise ask["merit"].refuse("is missing; contributions over several traits need its weights")
    ceilings = field["max_coancestry"]
    thetas = ceilings.list() if isinstance(ceilings.value, list) else [ceilings]
    dams = field.names("dam_path")
    known = set(dams)
    for i, name in enumerate(dams):
        if name.startswith("W:") and name[2:] in known:
            raise field["dam_path"].list()[i].refuse(f'"{name}" and "{name[2:]}" are the same candidate')
    return ContributionsAsk(
        dams,
        field.names("drone_path"),
        tuple(theta.not_negative() for theta in thetas),
        {id_: row.not_negative() for id_, row in field["cap"].items()} if "cap" in field else {},
    )
