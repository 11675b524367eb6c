"""Where addresses of the stock lead that are cut short, where the folder above is no page."""

from accounts.urls.cut_off import Lead
from breeding.views.cut_off import score

LEADS: dict[str, Lead] = {
    "stock/scores/<int:pk>/": score,
    "stock/merges/": "breeding:duplicates",
    "evaluations/": "breeding:standing",
}
