"""Pages whose filters a person may save under a name. Pages of apps to the right are named, not imported."""

from urllib.parse import parse_qsl, urlencode

from django.urls import reverse

PAGES = {"standing": "breeding:standing", "compare": "breeding:compare"}
# What belongs to one visit, not to the choice.
PASSING = {"page", "csrfmiddlewaretoken"}


def query_kept(query: str) -> str:
    """The part of an address that is worth keeping: filters that say something, in their order."""
    pairs = parse_qsl(query.removeprefix("?"), keep_blank_values=False)
    return urlencode([(name, value) for name, value in pairs if name not in PASSING])


def address_of_view(page: str, query: str) -> str:
    return reverse(PAGES[page]) + (f"?{query}" if query else "")
