"""Makes an address of every beginning of every address that is none: it leads to the page it belongs to."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence

from django.http.response import HttpResponseBase
from django.urls import URLPattern, URLResolver, path
from django.urls.exceptions import Resolver404
from django.urls.resolvers import RegexPattern

from accounts.views.cut_off import lead_to, lead_up

Lead = str | Callable[..., HttpResponseBase]  # the name of a page, or a view

# Where a beginning leads whose nearest page is not the folder above it.
LEADS: dict[str, Lead] = {
    "views/": "accounts:more",
    "persons/": "accounts:members",
    "healthz/": "accounts:health_live",
}
SAMPLES = {"int": "1", "slug": "x-x", "str": "x", "uuid": "00000000-0000-0000-0000-000000000001"}


def cut_off(patterns: Sequence[URLPattern | URLResolver], leads: Mapping[str, Lead]) -> list[URLPattern]:
    """One route for each beginning of the routes of `patterns` at which nothing stands, shortest first."""
    known = URLResolver(RegexPattern(r"^/"), list(patterns))
    beginnings = {folder for route in routes_of(patterns) for folder in folders_of(route)}
    return [
        _lead(folder, leads, known) for folder in sorted(beginnings, key=_depth_and_name) if not stands(folder, known)
    ]


def routes_of(patterns: Sequence[URLPattern | URLResolver], before: str = "") -> Iterator[str]:
    """Every route of the site's own apps, as it is written."""
    for pattern in patterns:
        if isinstance(pattern, URLPattern):
            yield before + str(pattern.pattern)
        elif pattern.app_name not in {"admin", "api"}:  # nobody shortens an address of a program by hand
            yield from routes_of(pattern.url_patterns, before + str(pattern.pattern))


def folders_of(route: str) -> list[str]:
    parts = route.rstrip("/").split("/")
    return ["/".join(parts[:depth]) + "/" for depth in range(1, len(parts))]


def sample_of(route: str) -> str:
    """An address of this route, with made-up numbers and words in its places."""
    return "/" + re.sub(r"<(?:(\w+):)?\w+>", lambda found: SAMPLES[found.group(1) or "str"], route)


def stands(route: str, resolver: URLResolver) -> bool:
    try:
        resolver.resolve(sample_of(route))
    except Resolver404:
        return False
    return True


def _lead(folder: str, leads: Mapping[str, Lead], known: URLResolver) -> URLPattern:
    name = "cut_" + re.sub(r"\W+", "_", folder).strip("_")
    to = leads.get(folder)
    if callable(to):
        return path(folder, to, name=name)
    above, up = folder, 0
    while to is None and above:
        above, up = "/".join(above.rstrip("/").split("/")[:-1]), up + 1
        above = f"{above}/" if above else ""
        if above and stands(above, known):
            return path(folder, lead_up, {"up": up}, name=name)
        to = leads.get(above)
    return path(folder, lead_to, {"to": to or "today"}, name=name)


def _depth_and_name(folder: str) -> tuple[int, str]:
    return folder.count("/"), folder
