"""Administration pages of the season. What the bench and the sweep wrote is shown, not edited."""

from django.contrib import admin

from accounts.admin import ReadOnlyAdmin
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchEntry,
    BenchPlace,
    BenchSession,
    Booking,
    BookingSource,
    CalendarFeed,
    Co2Treatment,
    Delivery,
    Dose,
    DroneCall,
    DroneCohort,
    DroneCount,
    DroneSource,
    DroneTally,
    FeedEntry,
    Heartbeat,
    HiveEntry,
    LotMark,
    LotMovement,
    LotPart,
    Offer,
    Placement,
    Plan,
    PlanPool,
    PlanPoolPart,
    QueenBatch,
    QueenCheck,
    Reminder,
    Season,
    SeasonSetting,
    SemenLot,
    TipChange,
    Unserved,
)


@admin.register(Season)
class SeasonAdmin(admin.ModelAdmin):
    list_display = ["year", "cooperative", "starts_on", "ends_on", "closed_at"]
    list_filter = ["cooperative"]
    list_select_related = ["cooperative"]
    search_fields = ["year", "cooperative__name"]


@admin.register(SeasonSetting)
class SeasonSettingAdmin(admin.ModelAdmin):
    list_display = ["key", "value", "season", "changed_by", "changed_at", "reason"]
    list_filter = ["season"]
    list_select_related = ["season", "changed_by"]
    search_fields = ["key", "reason"]
    raw_id_fields = ["changed_by"]


@admin.register(QueenBatch)
class QueenBatchAdmin(admin.ModelAdmin):
    list_display = [
        "name",
        "member",
        "mother",
        "grafted_on",
        "sealed_on",
        "emerged_on",
        "virgins_emerged",
        "closed_on",
    ]
    list_filter = ["season"]
    list_select_related = ["member", "mother"]
    search_fields = ["name", "member__name", "mother__label"]
    raw_id_fields = ["member", "apiary", "mother"]


@admin.register(BatchQueen)
class BatchQueenAdmin(admin.ModelAdmin):
    list_display = ["batch", "number", "queen", "state", "state_reason", "nuc"]
    list_filter = ["state"]
    list_select_related = ["batch", "queen"]
    search_fields = ["batch__name", "queen__label"]
    raw_id_fields = ["batch", "queen"]


@admin.register(Bench)
class BenchAdmin(admin.ModelAdmin):
    list_display = ["name", "cooperative", "place"]
    list_select_related = ["cooperative"]
    search_fields = ["name", "place"]


@admin.register(BenchSession)
class BenchSessionAdmin(admin.ModelAdmin):
    list_display = ["day", "bench", "operator", "places", "state", "opened_at", "closed_at"]
    list_filter = ["state", "bench", "season"]
    list_select_related = ["bench", "operator"]
    search_fields = ["bench__name", "operator__name"]
    raw_id_fields = ["operator", "closed_by", "cautions_read_by", "current_tip_source"]
    date_hierarchy = "day"


@admin.register(DroneSource)
class DroneSourceAdmin(admin.ModelAdmin):
    list_display = ["letter", "name", "member", "drone_queen", "hold_since", "hold_reason", "withdrawn_at"]
    list_filter = ["season"]
    list_select_related = ["member", "drone_queen"]
    search_fields = ["name", "member__name", "drone_queen__label"]
    raw_id_fields = ["member", "apiary", "drone_queen"]


@admin.register(DroneCohort)
class DroneCohortAdmin(admin.ModelAdmin):
    list_display = ["source", "number", "comb_in_on", "capped_on", "emerged_on", "ended_on"]
    list_select_related = ["source"]
    search_fields = ["source__name"]
    raw_id_fields = ["source"]


@admin.register(DroneCount)
class DroneCountAdmin(admin.ModelAdmin):
    list_display = ["cohort", "kind", "counted_on", "number", "counted_by"]
    list_filter = ["kind"]
    list_select_related = ["cohort__source", "counted_by"]
    search_fields = ["cohort__source__name"]
    raw_id_fields = ["cohort", "counted_by", "replaced_by"]


class BookingSourceInline(admin.TabularInline):
    model = BookingSource
    extra = 0
    raw_id_fields = ["source"]


@admin.register(Booking)
class BookingAdmin(admin.ModelAdmin):
    list_display = ["pk", "member", "batch", "queens", "mode", "state", "asked_at"]
    list_filter = ["state", "season"]
    list_select_related = ["member", "batch"]
    search_fields = ["member__name", "batch__name"]
    raw_id_fields = ["member", "batch", "wished_session", "asked_by"]
    inlines = [BookingSourceInline]


@admin.register(BookingSource)
class BookingSourceAdmin(admin.ModelAdmin):
    list_display = ["booking", "source", "merit", "inbreeding", "viability"]
    list_select_related = ["booking__batch", "source"]
    search_fields = ["source__name", "booking__batch__name"]
    raw_id_fields = ["booking", "source"]


@admin.register(Plan)
class PlanAdmin(ReadOnlyAdmin):
    list_display = ["number", "season", "state", "created_at", "created_by", "published_at", "published_by"]
    list_filter = ["state", "season"]
    list_select_related = ["season", "created_by", "published_by"]
    search_fields = ["number"]


@admin.register(PlanPool)
class PlanPoolAdmin(ReadOnlyAdmin):
    list_display = ["name", "plan", "session"]
    list_select_related = ["plan", "session__bench"]
    search_fields = ["name"]


@admin.register(PlanPoolPart)
class PlanPoolPartAdmin(ReadOnlyAdmin):
    list_display = ["pool", "source", "volume_tenths"]
    list_select_related = ["pool", "source"]
    search_fields = ["source__name"]


@admin.register(Placement)
class PlacementAdmin(ReadOnlyAdmin):
    list_display = ["plan", "booking", "session", "source", "pool", "queens", "frozen"]
    list_select_related = ["plan", "booking__batch", "session__bench", "source", "pool"]
    search_fields = ["booking__batch__name", "source__name"]


@admin.register(Unserved)
class UnservedAdmin(ReadOnlyAdmin):
    list_display = ["plan", "booking", "queens"]
    list_select_related = ["plan", "booking__batch"]
    search_fields = ["booking__batch__name"]


@admin.register(Offer)
class OfferAdmin(ReadOnlyAdmin):
    list_display = ["booking", "session", "queens", "state", "rank", "offered_at", "expires_at", "answered_by"]
    list_filter = ["state"]
    list_select_related = ["booking__batch", "session__bench", "answered_by"]
    search_fields = ["booking__batch__name"]


@admin.register(DroneCall)
class DroneCallAdmin(ReadOnlyAdmin):
    list_display = ["session", "source", "plan", "drones", "volume_tenths", "brought"]
    list_select_related = ["session__bench", "source", "plan"]
    search_fields = ["source__name"]


@admin.register(BenchPlace)
class BenchPlaceAdmin(admin.ModelAdmin):
    list_display = ["session", "position", "batch_queen", "source", "pool", "dose_tenths", "state"]
    list_filter = ["state"]
    list_select_related = ["session__bench", "batch_queen__queen", "batch_queen__batch", "source", "pool"]
    search_fields = ["batch_queen__queen__label", "source__name"]
    raw_id_fields = ["session", "plan", "booking", "batch_queen", "source", "pool"]


@admin.register(SemenLot)
class SemenLotAdmin(ReadOnlyAdmin):
    list_display = ["label", "session", "source", "tip", "opened_at", "opened_by", "state"]
    list_filter = ["state"]
    list_select_related = ["session__bench", "source", "opened_by"]
    search_fields = ["label", "source__name"]


@admin.register(LotPart)
class LotPartAdmin(ReadOnlyAdmin):
    list_display = ["lot", "source", "drones", "undone_at"]
    search_fields = ["lot__label", "source__name"]


@admin.register(TipChange)
class TipChangeAdmin(ReadOnlyAdmin):
    list_display = ["at", "session", "lot", "tip", "by"]
    list_select_related = ["session__bench", "lot", "by"]
    search_fields = ["tip", "lot__label"]


@admin.register(DroneTally)
class DroneTallyAdmin(ReadOnlyAdmin):
    list_display = ["at", "lot", "outcome", "drones", "by", "undone_at"]
    list_filter = ["outcome"]
    list_select_related = ["lot", "by"]
    search_fields = ["lot__label"]


@admin.register(LotMovement)
class LotMovementAdmin(ReadOnlyAdmin):
    list_display = ["at", "lot", "kind", "volume_tenths", "other_lot", "reason", "by", "undone_at"]
    list_filter = ["kind"]
    list_select_related = ["lot", "other_lot", "by"]
    search_fields = ["lot__label", "reason"]


@admin.register(Dose)
class DoseAdmin(ReadOnlyAdmin):
    list_display = [
        "given_at",
        "batch_queen",
        "lot",
        "volume_tenths",
        "given_by",
        "override_reason",
        "undone_at",
    ]
    list_select_related = ["batch_queen__queen", "batch_queen__batch", "lot", "given_by"]
    search_fields = ["batch_queen__queen__label", "lot__label"]


@admin.register(Co2Treatment)
class Co2TreatmentAdmin(ReadOnlyAdmin):
    list_display = [
        "started_at",
        "ended_at",
        "batch_queen",
        "with_insemination",
        "gas_percent",
        "given_by",
        "undone_at",
    ]
    list_select_related = ["batch_queen__queen", "batch_queen__batch", "given_by"]
    search_fields = ["batch_queen__queen__label"]


class KeptEntryAdmin(ReadOnlyAdmin):
    """What a device kept and sent, whatever it belongs to."""

    said = ("number", "kind", "state", "rule", "by", "at")
    list_filter = ["state", "kind"]
    search_fields = ["kind", "rule", "words", "by__name"]


@admin.register(BenchEntry)
class BenchEntryAdmin(KeptEntryAdmin):
    list_display = ["received_at", "session", *KeptEntryAdmin.said]
    list_select_related = ["session__bench", "by"]


@admin.register(HiveEntry)
class HiveEntryAdmin(KeptEntryAdmin):
    list_display = ["received_at", "cooperative", *KeptEntryAdmin.said]
    list_select_related = ["cooperative", "by"]


@admin.register(QueenCheck)
class QueenCheckAdmin(admin.ModelAdmin):
    list_display = ["checked_on", "batch_queen", "finding", "pattern", "checked_by"]
    list_filter = ["finding"]
    list_select_related = ["batch_queen__queen", "batch_queen__batch", "checked_by"]
    search_fields = ["batch_queen__queen__label", "note"]
    raw_id_fields = ["batch_queen", "checked_by", "replaced_by"]


@admin.register(Reminder)
class ReminderAdmin(ReadOnlyAdmin):
    list_display = ["due_at", "title", "kind", "stage", "member", "person", "critical", "state"]
    list_filter = ["state", "kind", "critical"]
    list_select_related = ["member", "person"]
    search_fields = ["title", "member__name", "person__name"]
    date_hierarchy = "due_at"


@admin.register(Delivery)
class DeliveryAdmin(ReadOnlyAdmin):
    list_display = ["reminder", "person", "channel", "state", "attempts", "sent_at", "read_at", "problem"]
    list_filter = ["state", "channel"]
    list_select_related = ["reminder", "person"]
    search_fields = ["reminder__title", "person__name", "person__email"]


@admin.register(Heartbeat)
class HeartbeatAdmin(ReadOnlyAdmin):
    list_display = ["name", "at", "oldest_overdue_seconds"]
    search_fields = ["name"]


@admin.register(CalendarFeed)
class CalendarFeedAdmin(ReadOnlyAdmin):
    list_display = ["person", "bench", "cooperative", "made_at", "ended_at", "last_used_at"]
    list_select_related = ["person", "bench", "cooperative"]
    search_fields = ["person__name", "person__email", "bench__name"]
    exclude = ["token_hash"]


@admin.register(FeedEntry)
class FeedEntryAdmin(ReadOnlyAdmin):
    list_display = ["key", "feed", "sequence", "changed_at", "cancelled_at"]
    list_select_related = ["feed__person", "feed__bench"]
    search_fields = ["key", "feed__person__name"]


@admin.register(LotMark)
class LotMarkAdmin(ReadOnlyAdmin):
    list_display = ["session_id", "mark"]
    search_fields = ["session_id"]
