"""The standing of queens in an evaluation run: value ± error, sureness, likely place; never a bare rank."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum

from accounts.models import Cooperative, Job
from accounts.models.job import OPEN_STATES
from accounts.queries.changes import Mark, changes_mark
from accounts.queries.often import asked_often
from breeding.models import EvaluationRun, Heading, Merit, Queen, QueenMerge, QueenStatus, Score, Trait, TraitValue


def latest_run(cooperative: Cooperative) -> EvaluationRun | None:
    """The run that counts: the latest that is no trial."""
    return next(iter(_latest(cooperative.pk)), None)


@asked_often
def _latest(cooperative: int) -> QuerySet[EvaluationRun, EvaluationRun]:
    return EvaluationRun.objects.filter(cooperative=cooperative, is_trial=False).order_by("-number")[:1]


def runs_of(cooperative: Cooperative) -> QuerySet[EvaluationRun]:
    return EvaluationRun.objects.filter(cooperative=cooperative)


def open_evaluation_job(cooperative: Cooperative) -> Job | None:
    return Job.objects.filter(cooperative=cooperative, kind="evaluation", state__in=OPEN_STATES).first()


@dataclass(frozen=True)
class StandingFilter:
    """What the standing is narrowed to and ordered by; it stands in the address."""

    living: bool = True
    tested: bool = False
    line_id: int | None = None
    apiary_id: int | None = None
    trait_key: str = ""
    text: str = ""


def standing_of(run: EvaluationRun, wanted: StandingFilter) -> QuerySet[Merit]:
    """Merits of the run, best first: by merit, or by one trait's value (the good end first)."""
    merits = Merit.objects.filter(run=run).select_related("queen__line", "queen__owner")
    if wanted.living:
        merits = merits.exclude(queen__status=QueenStatus.GONE)
    if wanted.tested:
        merits = merits.filter(Exists(TraitValue.objects.filter(run=run, queen=OuterRef("queen"), records__gt=0)))
    if wanted.line_id is not None:
        merits = merits.filter(queen__line=wanted.line_id)
    if wanted.apiary_id is not None:
        heads = Heading.objects.filter(queen=OuterRef("queen"), until__isnull=True, colony__apiary=wanted.apiary_id)
        merits = merits.filter(Exists(heads))
    if wanted.text:
        merits = merits.filter(queen__label__icontains=wanted.text)
    trait = traits_of_run(run).filter(key=wanted.trait_key).first() if wanted.trait_key else None
    if trait is None:
        return merits.order_by("-merit", "queen__label")
    value = Subquery(TraitValue.objects.filter(run=run, trait=trait, queen=OuterRef("queen")).values("total")[:1])
    order = "-trait_total" if trait.high_is_good else "trait_total"
    return merits.annotate(trait_total=value).order_by(order, "queen__label")


def traits_of_run(run: EvaluationRun) -> QuerySet[Trait]:
    return Trait.objects.filter(cooperative=run.cooperative_id, key__in=run.parameters.get("traits", []))


@dataclass(frozen=True)
class StandingRow:
    merit: Merit
    values: list[TraitValue | None] = field(default_factory=list)


def with_values(run: EvaluationRun, merits: Iterable[Merit], traits: list[Trait]) -> list[StandingRow]:
    """The merits with their values of each trait, in the order of `traits`. One query."""
    merits = list(merits)
    found = {
        (value.queen_id, value.trait_id): value
        for value in TraitValue.objects.filter(run=run, queen__in=[merit.queen_id for merit in merits]).select_related(
            "trait"
        )
    }
    return [StandingRow(merit, [found.get((merit.queen_id, trait.pk)) for trait in traits]) for merit in merits]


def values_of_queen(run: EvaluationRun | None, queen_id: int) -> tuple[Merit | None, list[TraitValue]]:
    if run is None:
        return None, []
    merit = Merit.objects.filter(run=run, queen=queen_id).first()
    values = TraitValue.objects.filter(run=run, queen=queen_id).select_related("trait").order_by("trait__position")
    return merit, list(values)


def scores_since(run: EvaluationRun) -> int:
    """Scores entered or corrected since the run was made: a reason to make a new one."""
    # Found by the moment alone, of which there is an index; whose they are is looked at in those that are left.
    mine = Count("pk", filter=Q(trait__in=Trait.objects.filter(cooperative=run.cooperative_id)))
    return int(Score.objects.filter(recorded_at__gt=run.made_at).aggregate(mine=mine)["mine"])


def merges_since(run: EvaluationRun) -> int:
    """Queens made one, or two again, since then: the run counts them as they were."""
    changed = Q(merged_at__gt=run.made_at, undone_at=None) | Q(merged_at__lt=run.made_at, undone_at__gt=run.made_at)
    return QueenMerge.objects.filter(changed, cooperative=run.cooperative_id).count()


# Reliability from which a value is called fair and firm; our choice.
FAIR, FIRM = 0.3, 0.6
# One-sided 95 % point of the normal distribution.
SURELY = 1.645


def sureness_of(reliability: float | None) -> str:
    """Key of `accounts.states` for how sure a value is: thin, fair or firm."""
    if reliability is None or reliability < FAIR:
        return "thin"
    return "firm" if reliability >= FIRM else "fair"


def surely_better(run: EvaluationRun) -> tuple[int, int]:
    """Ranked living queens whose merit is above the average stock with 95 % confidence, and how many are ranked.

    A run stays what it is: the numbers are kept under which queens are gone and which rows were made one since, and
    that under the mark of the cooperative's writes.
    """
    return _surely_better(run.pk, _gone_or_merged(run.cooperative_id, changes_mark(run.cooperative_id)))


@lru_cache(maxsize=32)
def _gone_or_merged(cooperative_id: int, _mark: Mark) -> tuple[int, ...]:
    gone = Queen.objects.filter(cooperative=cooperative_id, status=QueenStatus.GONE)
    merges = QueenMerge.objects.filter(cooperative=cooperative_id)
    told = gone.order_by().aggregate(number=Count("pk"), total=Sum("pk"), squares=Sum(F("pk") * F("pk")))
    made = merges.order_by().aggregate(number=Count("pk"), undone=Count("undone_at"))
    return (*told.values(), *made.values())


@lru_cache(maxsize=32)
def _surely_better(run: int, _follows_from: tuple[int, ...]) -> tuple[int, int]:
    ranked = Merit.objects.filter(run=run, ranked__isnull=False).exclude(queen__status=QueenStatus.GONE)
    better = Count("pk", filter=Q(merit__gt=F("merit_error") * SURELY))
    told = ranked.aggregate(better=better, ranked=Count("pk"))
    return told["better"], told["ranked"]


def surely_better_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    _gone_or_merged.cache_clear()
    _surely_better.cache_clear()


def best_sources(run: EvaluationRun, number: int) -> list[Queen]:
    """Living ranked queens with the highest merit as sources of drones."""
    merits = (
        Merit.objects.filter(run=run, ranked__isnull=False)
        .exclude(queen__status=QueenStatus.GONE)
        .select_related("queen__line")
        .order_by("-merit", "queen__label")[:number]
    )
    return [merit.queen for merit in merits]


def evaluation_jobs_of(cooperative: Cooperative) -> QuerySet[Job]:
    return Job.objects.filter(cooperative=cooperative, kind="evaluation").select_related("cooperative")


def usual_seconds(job: Job) -> int | None:
    """How long the last finished runs of its kind (whole or short) took, from start to end; None without one."""
    alike = Job.objects.filter(cooperative=job.cooperative, kind="evaluation", state="ready", started_at__isnull=False)
    alike = alike.filter(arguments__whole=job.arguments.get("whole", True))
    times = [
        (finished - started).total_seconds()
        for started, finished in alike.order_by("-finished_at").values_list("started_at", "finished_at")[:5]
        if started is not None and finished is not None
    ]
    return max(1, round(sum(times) / len(times))) if times else None
