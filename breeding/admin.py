"""Administration pages of what lasts. Results of evaluations are never edited: a new run replaces them."""

from django.contrib import admin

from accounts.admin import ReadOnlyAdmin
from breeding.models import (
    Colony,
    CrossShare,
    EvaluationHabit,
    EvaluationRun,
    EvaluationState,
    Heading,
    Line,
    Mating,
    MatingShare,
    Merit,
    PlannedCross,
    Queen,
    QueenMerge,
    QueensApart,
    Score,
    SemenBatch,
    SemenBatchShare,
    TableImport,
    Trait,
    TraitValue,
    VarianceAdoption,
    VarianceEstimate,
)


@admin.register(Line)
class LineAdmin(admin.ModelAdmin):
    list_display = ["name", "cooperative"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative"]
    search_fields = ["name"]


@admin.register(Queen)
class QueenAdmin(admin.ModelAdmin):
    list_display = ["label", "owner", "birth_year", "line", "mother", "status"]
    list_filter = ["status", "birth_year", "cooperative"]
    list_select_related = ["owner", "line", "mother"]
    search_fields = ["label", "owner__name"]
    raw_id_fields = ["mother"]
    autocomplete_fields = ["owner", "line", "cooperative"]


@admin.register(QueenMerge)
class QueenMergeAdmin(ReadOnlyAdmin):
    list_display = ["other_label", "kept", "merged_by", "merged_at", "undone_at"]
    list_filter = ["cooperative"]
    list_select_related = ["kept", "merged_by"]
    search_fields = ["other_label", "kept__label"]


@admin.register(QueensApart)
class QueensApartAdmin(ReadOnlyAdmin):
    list_display = ["lower_id", "higher_id", "said_by", "said_at"]
    list_filter = ["cooperative"]
    list_select_related = ["said_by"]
    search_fields = ["said_by__name"]


@admin.register(Colony)
class ColonyAdmin(admin.ModelAdmin):
    list_display = ["name", "apiary", "established_on", "ended_on", "ended_reason"]
    list_select_related = ["apiary"]
    search_fields = ["name", "apiary__name", "apiary__member__name"]
    raw_id_fields = ["apiary"]


@admin.register(Heading)
class HeadingAdmin(admin.ModelAdmin):
    list_display = ["colony", "queen", "since", "until"]
    list_select_related = ["colony__apiary", "queen"]
    search_fields = ["queen__label", "colony__name"]
    raw_id_fields = ["colony", "queen"]


class SharesInline(admin.TabularInline):
    """Parts of drone-producing queens."""

    extra = 0
    raw_id_fields = ["drone_queen"]


class MatingShareInline(SharesInline):
    model = MatingShare


@admin.register(Mating)
class MatingAdmin(admin.ModelAdmin):
    list_display = ["queen", "kind", "mated_on", "total_tenths", "recorded_tenths", "is_complete"]
    list_filter = ["kind", "is_complete"]
    list_select_related = ["queen"]
    search_fields = ["queen__label", "place"]
    raw_id_fields = ["queen", "shared_batch", "station_mother"]
    readonly_fields = ["recorded_tenths"]
    inlines = [MatingShareInline]


@admin.register(MatingShare)
class MatingShareAdmin(admin.ModelAdmin):
    list_display = ["mating", "drone_queen", "volume_tenths", "drones"]
    list_select_related = ["mating__queen", "drone_queen"]
    search_fields = ["mating__queen__label", "drone_queen__label"]
    raw_id_fields = ["mating", "drone_queen"]


class SemenBatchShareInline(SharesInline):
    model = SemenBatchShare


@admin.register(SemenBatch)
class SemenBatchAdmin(admin.ModelAdmin):
    list_display = ["label", "cooperative", "made_on", "total_tenths", "recorded_tenths", "is_complete"]
    list_filter = ["cooperative", "is_complete"]
    list_select_related = ["cooperative"]
    search_fields = ["label"]
    readonly_fields = ["recorded_tenths"]
    inlines = [SemenBatchShareInline]


@admin.register(SemenBatchShare)
class SemenBatchShareAdmin(admin.ModelAdmin):
    list_display = ["batch", "drone_queen", "volume_tenths", "drones"]
    list_select_related = ["batch", "drone_queen"]
    search_fields = ["batch__label", "drone_queen__label"]
    raw_id_fields = ["batch", "drone_queen"]


@admin.register(Trait)
class TraitAdmin(admin.ModelAdmin):
    list_display = ["name", "key", "unit", "season_rule", "in_evaluation", "merit_weight", "cooperative"]
    list_filter = ["cooperative", "in_evaluation"]
    list_select_related = ["cooperative"]
    search_fields = ["name", "key"]


@admin.register(Score)
class ScoreAdmin(admin.ModelAdmin):
    list_display = ["scored_on", "queen", "colony", "trait", "value", "scored_by", "withdrawn_at"]
    list_filter = ["trait"]
    list_select_related = ["queen", "colony__apiary", "trait", "scored_by"]
    search_fields = ["queen__label", "colony__name"]
    raw_id_fields = ["colony", "queen", "scored_by", "replaced_by"]
    date_hierarchy = "scored_on"


class CrossShareInline(SharesInline):
    model = CrossShare


@admin.register(PlannedCross)
class PlannedCrossAdmin(admin.ModelAdmin):
    list_display = ["mother", "season_year", "planned_by", "planned_at", "cooperative"]
    list_filter = ["season_year", "cooperative"]
    list_select_related = ["mother", "planned_by", "cooperative"]
    search_fields = ["mother__label", "note"]
    raw_id_fields = ["mother", "planned_by"]
    inlines = [CrossShareInline]


@admin.register(CrossShare)
class CrossShareAdmin(admin.ModelAdmin):
    list_display = ["cross", "drone_queen", "share_permille"]
    list_select_related = ["cross__mother", "drone_queen"]
    search_fields = ["cross__mother__label", "drone_queen__label"]
    raw_id_fields = ["cross", "drone_queen"]


@admin.register(EvaluationRun)
class EvaluationRunAdmin(ReadOnlyAdmin):
    list_display = ["number", "cooperative", "made_at", "records_until", "queens", "records", "is_trial"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative"]
    search_fields = ["number"]


@admin.register(EvaluationHabit)
class EvaluationHabitAdmin(admin.ModelAdmin):
    list_display = ["cooperative", "nightly"]
    list_select_related = ["cooperative"]
    search_fields = ["cooperative__name"]


@admin.register(EvaluationState)
class EvaluationStateAdmin(ReadOnlyAdmin):
    list_display = ["cooperative", "run"]
    list_select_related = ["cooperative", "run"]
    search_fields = ["cooperative__name"]
    exclude = ["arrays"]


@admin.register(TraitValue)
class TraitValueAdmin(ReadOnlyAdmin):
    list_display = ["run", "queen", "trait", "total", "total_error", "total_reliability", "records"]
    list_filter = ["trait"]
    list_select_related = ["run", "queen", "trait"]
    search_fields = ["queen__label"]


@admin.register(Merit)
class MeritAdmin(ReadOnlyAdmin):
    list_display = ["run", "queen", "merit", "merit_error", "reliability", "place_best", "place_worst"]
    list_select_related = ["run", "queen"]
    search_fields = ["queen__label"]


@admin.register(VarianceEstimate)
class VarianceEstimateAdmin(ReadOnlyAdmin):
    list_display = ["number", "cooperative", "made_at", "records_until", "queens", "records"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative"]
    search_fields = ["number"]


@admin.register(VarianceAdoption)
class VarianceAdoptionAdmin(ReadOnlyAdmin):
    list_display = ["cooperative", "estimate", "adopted_at", "adopted_by"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative", "estimate", "adopted_by"]
    search_fields = ["cooperative__name"]


@admin.register(TableImport)
class TableImportAdmin(ReadOnlyAdmin):
    list_display = ["file_name", "kind", "state", "rows", "uploaded_by", "uploaded_at", "cooperative"]
    list_filter = ["kind", "state", "cooperative"]
    list_select_related = ["uploaded_by", "cooperative"]
    search_fields = ["file_name"]
    exclude = ["content", "sheet", "made", "problems"]
