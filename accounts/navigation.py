"""Navigation of each role: which pages, in which order. Pages of apps to the right are named, not imported."""

from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.middleware import ROLE_KEY
from accounts.models import Role

MEMBER = "member"

PAGES: dict[str, tuple[str, Any, str]] = {
    "today": ("today", _("Today"), "calendar-check"),
    "lines": ("scheduling:lines", _("Season lines"), "ruler"),
    "book": ("scheduling:book", _("Book a place"), "plus"),
    "stock": ("breeding:stock", _("Stock & crosses"), "queen"),
    "reminders": ("scheduling:reminders", _("Reminders"), "bell"),
    "board": ("scheduling:board", _("Plan board"), "layout-grid"),
    "balance": ("scheduling:balance", _("Drone balance"), "drone"),
    "requests": ("scheduling:requests", _("Requests"), "inbox"),
    "standing": ("breeding:standing", _("Standing"), "list-ordered"),
    "crosses": ("breeding:crosses", _("Cross planner"), "git-merge"),
    "bench": ("scheduling:bench", _("Bench"), "tip"),
    "outcomes": ("scheduling:outcomes", _("Outcomes"), "chart-line"),
    "more": ("accounts:more", _("More"), "menu"),
}

# Pages that only the list of all pages leads to.
MORE_PAGES: dict[str, tuple[str, Any, str]] = {
    "search": ("scheduling:search", _("Search"), "search"),
    "bookings": ("scheduling:bookings", _("Bookings"), "calendar-check"),
    "batches": ("scheduling:batches", _("Queen batches"), "queen"),
    "sources": ("scheduling:sources", _("Drone sources"), "drone"),
    "ledger": ("scheduling:ledger", _("Ledger of the season"), "list-ordered"),
    "sessions": ("scheduling:sessions", _("Bench days"), "calendar"),
    "apiaries": ("accounts:apiaries", _("Apiaries"), "map-pin"),
    "imports": ("breeding:imports", _("Bring in tables"), "upload"),
    "season": ("scheduling:settings", _("Figures of the season"), "ruler"),
    "weights": ("breeding:weights", _("What merit weighs"), "list-ordered"),
    "duplicates": ("breeding:duplicates", _("Entered twice"), "queen"),
    "planned_crosses": ("breeding:planned_crosses", _("Planned crosses"), "git-merge"),
    "contributions": ("breeding:contributions", _("Contributions"), "chart-line"),
    "trend": ("breeding:trend", _("Genetic trend"), "chart-line"),
    "population": ("breeding:population", _("The population"), "chart-line"),
    "variances": ("breeding:variances", _("Heritabilities"), "chart-line"),
    "members": ("accounts:members", _("Members and people"), "users"),
    "history": ("accounts:history", _("What was done"), "history"),
    "mail": ("accounts:mail", _("Kept mail"), "mail"),
    "watch": ("scheduling:reminder_watch", _("Reminders of the cooperative"), "bell-ring"),
    "times": ("scheduling:reminder_times", _("When I am told"), "clock"),
    "wishes": ("scheduling:reminder_wishes", _("How I am told"), "bell-ring"),
    "gateway": ("accounts:gateway", _("Text messages"), "smartphone"),
    "webhooks": ("accounts:webhooks", _("Webhooks"), "git-merge"),
    "devices": ("accounts:devices", _("Messages on your devices"), "bell-ring"),
    "feeds": ("scheduling:feeds", _("Your calendar elsewhere"), "calendar"),
    "tokens": ("accounts:tokens", _("Programs that act for you"), "lock"),
    "settings": ("accounts:settings", _("You"), "user"),
    "password": ("accounts:password", _("Change your password"), "lock"),
}
SEASON_MORE = ["batches", "sources", "sessions", "bookings", "ledger"]
STOCK_MORE = [
    "stock",
    "standing",
    "crosses",
    "planned_crosses",
    "trend",
    "population",
    "weights",
    "variances",
    "duplicates",
    "apiaries",
]
# Who plans crosses for the whole cooperative (`access.can_plan_crosses`), who brings in tables (`access.can_import`).
STOCK_MORE_FOR_ROLE: dict[str, list[str]] = {
    MEMBER: ["imports"],
    Role.BREEDER: ["imports", "contributions"],
    Role.COORDINATOR: ["imports", "contributions"],
}
COOPERATIVE_MORE: dict[str, list[str]] = {
    Role.COORDINATOR: ["members", "watch", "gateway", "webhooks", "history", "season"]
}
OWN_MORE = ["search", "reminders", "mail", "wishes", "devices", "feeds", "tokens", "times", "settings", "password"]

ROLE_PAGES: dict[str, list[str]] = {
    MEMBER: ["today", "lines", "book", "stock", "reminders"],
    Role.COORDINATOR: ["today", "board", "balance", "lines", "requests", "outcomes"],
    Role.BREEDER: ["today", "standing", "crosses", "stock", "lines"],
    Role.OPERATOR: ["today", "bench", "lines", "outcomes"],
}
BOTTOM_PAGES = ["today", "lines", "book", "reminders", "more"]
BOTTOM_FOR_ROLE: dict[str, list[str]] = {
    Role.COORDINATOR: ["today", "board", "balance", "requests", "more"],
    Role.BREEDER: ["today", "standing", "crosses", "stock", "more"],
    Role.OPERATOR: ["today", "bench", "outcomes", "reminders", "more"],
}


def roles_of(viewer: Viewer) -> list[str]:
    """The roles the person may look through, the member's first."""
    order = [MEMBER, Role.COORDINATOR, Role.BREEDER, Role.OPERATOR]
    held = {*viewer.roles, *([MEMBER] if viewer.is_member else [])}
    return [role for role in order if role in held] or [MEMBER]


def shown_role(request: HttpRequest, viewer: Viewer) -> str:
    roles = roles_of(viewer)
    chosen = request.session.get(ROLE_KEY)
    return chosen if chosen in roles else roles[0]


def navigation_for(request: HttpRequest, viewer: Viewer, role: str) -> dict[str, Any]:
    return {
        "nav": _entries(request, ROLE_PAGES[role]),
        "nav_bottom": _entries(request, BOTTOM_FOR_ROLE.get(role, BOTTOM_PAGES)),
        "roles": [{"key": key, "label": _role_label(key), "current": key == role} for key in roles_of(viewer)],
    }


def more_groups(request: HttpRequest, viewer: Viewer, role: str) -> list[dict[str, Any]]:
    """Every page of the shown role, in groups; each page once."""
    groups = [
        (_("Your work"), ROLE_PAGES[role]),
        (_("This season"), SEASON_MORE),
        (_("The stock"), [*STOCK_MORE, *STOCK_MORE_FOR_ROLE.get(role, [])]),
        (_("The cooperative"), COOPERATIVE_MORE.get(role, ["season"])),
        (_("You"), OWN_MORE),
    ]
    seen: set[str] = set()
    shown = []
    for title, keys in groups:
        new = [key for key in keys if key not in seen]
        seen.update(new)
        if entries := _entries(request, new):
            shown.append({"title": title, "entries": entries})
    return shown


def _role_label(key: str) -> Any:
    return _("Member") if key == MEMBER else Role(key).label


def _entries(request: HttpRequest, keys: list[str]) -> list[dict[str, Any]]:
    entries = []
    for key in keys:
        name, label, icon = PAGES.get(key) or MORE_PAGES[key]
        url = reverse(name)
        current = request.path == url if url == "/" else request.path.startswith(url)
        entries.append({"key": key, "url": url, "label": label, "icon": icon, "current": current, "badge": 0})
    return entries
