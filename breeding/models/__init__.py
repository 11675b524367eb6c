from breeding.models.colony import Colony, Heading
from breeding.models.cross import CrossShare, PlannedCross
from breeding.models.evaluation import EvaluationHabit, EvaluationRun, EvaluationState, Merit, TraitValue
from breeding.models.mating import Mating, MatingKind, MatingShare, SemenBatch, SemenBatchShare
from breeding.models.merge import QueenMerge, QueensApart
from breeding.models.queen import Line, Queen, QueenStatus
from breeding.models.score import Score
from breeding.models.table_import import ImportState, TableImport
from breeding.models.trait import SeasonRule, Trait
from breeding.models.variances import VarianceAdoption, VarianceEstimate

__all__ = [
    "Colony",
    "CrossShare",
    "EvaluationHabit",
    "EvaluationRun",
    "EvaluationState",
    "Heading",
    "ImportState",
    "Line",
    "Mating",
    "MatingKind",
    "MatingShare",
    "Merit",
    "PlannedCross",
    "Queen",
    "QueenMerge",
    "QueenStatus",
    "QueensApart",
    "Score",
    "SeasonRule",
    "SemenBatch",
    "SemenBatchShare",
    "TableImport",
    "Trait",
    "TraitValue",
    "VarianceAdoption",
    "VarianceEstimate",
]
