from django.db import models
from django.utils.translation import gettext_noop

from accounts.models import Cooperative, Job
from accounts.told import Told, ToldListField, told
from breeding.models.queen import Queen
from breeding.models.trait import Trait


class EvaluationRun(models.Model):
    """One evaluation: never edited; a new one replaces it and both stay comparable."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="evaluation_runs")
    number = models.PositiveIntegerField()
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="evaluation_run")
    made_at = models.DateTimeField()
    records_until = models.DateField(help_text="Scores up to this day took part.")
    queens = models.PositiveIntegerField()
    records = models.PositiveIntegerField()
    parameters = models.JSONField(help_text="Variances, weights, fixed effects used.")
    solver = models.JSONField(help_text="Method, residual, seconds.")
    checks = ToldListField(default=list, help_text="What was checked and noticed, in words.")
    findings = models.JSONField(default=dict, blank=True, help_text="Trend, and predictions held against results.")
    is_trial = models.BooleanField(default=False, help_text="Kept beside the others; no page uses it unless asked to.")

    class Meta:
        ordering = ["-number"]
        constraints = [models.UniqueConstraint(fields=["cooperative", "number"], name="evaluation_number_unique")]

    def __str__(self) -> str:
        return str(self.told())

    def told(self) -> Told:
        return told(gettext_noop("Evaluation %(number)s")) % {"number": str(self.number)}


class EvaluationHabit(models.Model):
    """How a cooperative wants its evaluations made; without a row as the defaults say."""

    cooperative = models.OneToOneField(Cooperative, models.CASCADE, related_name="evaluation_habit")
    nightly = models.BooleanField(default=True, help_text="At night, when scores changed since the last run.")

    def __str__(self) -> str:
        return f"{self.cooperative}: {'nightly' if self.nightly else 'on demand'}"


class EvaluationState(models.Model):
    """Solutions and errors of the last run that is no trial: where the next one starts from. Replaced by each run.

    Without it the next run starts from nothing and takes longer; no value depends on it.
    """

    cooperative = models.OneToOneField(Cooperative, models.CASCADE, related_name="evaluation_state")
    run = models.ForeignKey(EvaluationRun, models.CASCADE, related_name="+")
    fingerprint = models.CharField(max_length=64, help_text="Of what it depends on: pedigree, records, variances.")
    arrays = models.BinaryField(help_text="numpy .npz")

    def __str__(self) -> str:
        return f"State after {self.run}"


class TraitValue(models.Model):
    """Breeding values of one queen and trait in one run, on the diploid-queen scale, in the trait's unit.

    Zero is the mean of the living, tested stock of that run.
    """

    # Each index costs with every value of every run: the unique one serves the run, nothing asks by trait alone.
    run = models.ForeignKey(EvaluationRun, models.CASCADE, related_name="trait_values", db_index=False)
    queen = models.ForeignKey(Queen, models.CASCADE, related_name="trait_values")
    trait = models.ForeignKey(Trait, models.CASCADE, related_name="values", db_index=False)
    worker = models.FloatField(help_text="Her own worker effect.")
    queen_effect = models.FloatField(help_text="Her own queen effect.")
    total = models.FloatField(help_text="Worker + queen effect of her own genes: as a source of drones.")
    total_error = models.FloatField()
    total_reliability = models.FloatField()
    as_mother = models.FloatField(null=True, help_text="Mean of her daughters (her worker group's values).")
    as_mother_error = models.FloatField(null=True)
    performance = models.FloatField(null=True, help_text="Expected of her colony: worker group + queen.")
    performance_error = models.FloatField(null=True)
    performance_reliability = models.FloatField(null=True)
    records = models.PositiveSmallIntegerField(default=0, help_text="Season results of her own colony.")

    class Meta:
        ordering = ["run", "queen", "trait"]
        constraints = [models.UniqueConstraint(fields=["run", "queen", "trait"], name="trait_value_once")]

    def __str__(self) -> str:
        return f"{self.queen} {self.trait}: {self.total:+.2f}"


class Merit(models.Model):
    """Merit of one queen in one run, in genetic standard deviations around 0 = mean of the living stock."""

    run = models.ForeignKey(EvaluationRun, models.CASCADE, related_name="merits", db_index=False)
    queen = models.ForeignKey(Queen, models.CASCADE, related_name="merits")
    merit = models.FloatField(help_text="As a source of drones (own genes).")
    merit_error = models.FloatField()
    reliability = models.FloatField()
    as_mother = models.FloatField(null=True, help_text="Merit of her daughters' mean.")
    as_mother_error = models.FloatField(null=True)
    place_best = models.PositiveIntegerField(null=True, help_text="Likely place: from …")
    place_worst = models.PositiveIntegerField(null=True, help_text="… to.")
    ranked = models.PositiveIntegerField(null=True, help_text="Of how many living queens.")
    inbreeding = models.FloatField(default=0)
    worker_inbreeding = models.FloatField(null=True)
    known_generations = models.FloatField(default=0)

    class Meta:
        ordering = ["-merit", "queen"]
        indexes = [
            models.Index(fields=["run", "-merit"], name="merit_ranking"),
            models.Index(fields=["run", "-as_mother"], name="merit_of_mothers"),
            # How many are surely better is counted with every look at the ranking: from this index alone.
            models.Index(fields=["run", "ranked", "merit", "merit_error", "queen"], name="merit_counted"),
        ]
        constraints = [models.UniqueConstraint(fields=["run", "queen"], name="merit_once")]

    def __str__(self) -> str:
        return f"{self.queen}: {self.merit:+.2f}"
