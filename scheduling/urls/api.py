"""The part of this app in /api/v1/."""

from accounts.api.routes import routes
from scheduling.api.batches import BatchEndpoint, BatchQueenEndpoint
from scheduling.api.bench import Co2Endpoint, DoseEndpoint, LotEndpoint
from scheduling.api.bench_log import BenchEntryEndpoint, PlaceEndpoint
from scheduling.api.bench_sessions import BenchSessionEndpoint
from scheduling.api.bookings import BookingEndpoint, OfferEndpoint
from scheduling.api.plan_compare import PlanCompareEndpoint
from scheduling.api.plan_moves import WhatIfEndpoint
from scheduling.api.planning import BenchEndpoint, SessionEndpoint
from scheduling.api.reminders import ReminderEndpoint
from scheduling.api.season import SeasonEndpoint
from scheduling.api.sources import CohortEndpoint, SourceEndpoint

urlpatterns = routes(
    {
        "seasons": SeasonEndpoint,
        "batches": BatchEndpoint,
        "batch-queens": BatchQueenEndpoint,
        "sources": SourceEndpoint,
        "cohorts": CohortEndpoint,
        "bookings": BookingEndpoint,
        "offers": OfferEndpoint,
        "benches": BenchEndpoint,
        "sessions": SessionEndpoint,
        "plans": PlanCompareEndpoint,
        "what-ifs": WhatIfEndpoint,
        "reminders": ReminderEndpoint,
        "bench-sessions": BenchSessionEndpoint,
        "places": PlaceEndpoint,
        "bench-entries": BenchEntryEndpoint,
        "lots": LotEndpoint,
        "doses": DoseEndpoint,
        "co2-treatments": Co2Endpoint,
    }
)
