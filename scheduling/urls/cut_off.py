"""Where addresses of the season lead that are cut short, where the folder above is no page."""

from django.views.generic import RedirectView

from accounts.urls.cut_off import Lead

LEADS: dict[str, Lead] = {
    "B/": "scheduling:bench",
    "Q/": "breeding:stock",
    "batch-queens/": "scheduling:batches",
    "benches/": "scheduling:sessions",
    "calendar/": "scheduling:feeds",
    "cohorts/": "scheduling:sources",
    "offers/": "scheduling:bookings",
    "plan/": "scheduling:board",
    "queens/": "scheduling:batches",
    "queens/<int:pk>/": RedirectView.as_view(pattern_name="scheduling:batch_queen"),
    "season/": "scheduling:settings",
    "what-if/": "scheduling:board",
}
