from scheduling.models.batch import BatchQueen, BenchState, QueenBatch
from scheduling.models.bench import (
    Co2Treatment,
    Dose,
    DroneTally,
    LotMark,
    LotMovement,
    LotPart,
    LotState,
    MovementKind,
    SemenLot,
    TallyOutcome,
    TipChange,
)
from scheduling.models.booking import Booking, BookingMode, BookingSource, BookingState
from scheduling.models.check import Finding, Pattern, QueenCheck
from scheduling.models.entry import BenchEntry, EntryState, HiveEntry
from scheduling.models.feed import CalendarFeed, FeedEntry
from scheduling.models.offer import Offer, OfferState
from scheduling.models.place import BenchPlace, PlaceState
from scheduling.models.plan import DroneCall, Placement, Plan, PlanPool, PlanPoolPart, PlanState, Unserved
from scheduling.models.reminder import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState
from scheduling.models.season import Season, SeasonSetting
from scheduling.models.session import Bench, BenchSession, SessionState
from scheduling.models.source import CountKind, DroneCohort, DroneCount, DroneSource

__all__ = [
    "BatchQueen",
    "Bench",
    "BenchEntry",
    "BenchPlace",
    "BenchSession",
    "BenchState",
    "Booking",
    "BookingMode",
    "BookingSource",
    "BookingState",
    "CalendarFeed",
    "Co2Treatment",
    "CountKind",
    "Delivery",
    "DeliveryState",
    "Dose",
    "DroneCall",
    "DroneCohort",
    "DroneCount",
    "DroneSource",
    "DroneTally",
    "EntryState",
    "FeedEntry",
    "Finding",
    "Heartbeat",
    "HiveEntry",
    "LotMark",
    "LotMovement",
    "LotPart",
    "LotState",
    "MovementKind",
    "Offer",
    "OfferState",
    "Pattern",
    "PlaceState",
    "Placement",
    "Plan",
    "PlanPool",
    "PlanPoolPart",
    "PlanState",
    "QueenBatch",
    "QueenCheck",
    "Reminder",
    "ReminderState",
    "Season",
    "SeasonSetting",
    "SemenLot",
    "SessionState",
    "TallyOutcome",
    "TipChange",
    "Unserved",
]
