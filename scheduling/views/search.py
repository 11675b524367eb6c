"""Search: everything somebody may open, by what is written on it."""

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from accounts.access import Viewer, can_manage_people, can_work_bench
from accounts.forms.named import MEMBERS, PEOPLE
from accounts.http import today_of, viewer_of_request
from accounts.navigation import more_groups, shown_role
from accounts.queries.search import LONGEST, MOST, Hit, Hits
from breeding.forms.fields import APIARIES, APIARIES_SEEN, COLONIES_WITHOUT_QUEEN, SEMEN_BATCHES
from scheduling.queries.search import search

# The words over each kind, its page, its picture.
KINDS: dict[str, tuple[Any, str, str]] = {
    "queen": (gettext_lazy("Queens"), "breeding:queen", "queen"),
    "colony": (gettext_lazy("Colonies"), "breeding:colony", "map-pin"),
    "batch": (gettext_lazy("Queen batches"), "scheduling:batch", "queen"),
    "source": (gettext_lazy("Drone sources"), "scheduling:source", "drone"),
    "session": (gettext_lazy("Bench days"), "scheduling:bench_session", "tip"),
    "member": (gettext_lazy("Members"), "accounts:member", "users"),
    "person": (gettext_lazy("People"), "accounts:person", "user"),
    "lot": (gettext_lazy("Semen lots"), "scheduling:trace_lot", "tip"),
}


#: Kinds of things that forms name, by the word in the address.
NAMED = {one.kind: one for one in (MEMBERS, PEOPLE, APIARIES, APIARIES_SEEN, COLONIES_WITHOUT_QUEEN, SEMEN_BATCHES)}


@require_safe
def names(request: HttpRequest, kind: str) -> JsonResponse:
    """Names of one kind that fit what is being written into a form: of things that the viewer may name there."""
    viewer, named = viewer_of_request(request), NAMED.get(kind)
    if named is None or (named is PEOPLE and not (viewer.is_member or can_manage_people(viewer))):
        raise Http404
    words = " ".join(request.GET.get("q", "").split())[:LONGEST]
    found = named.called(named.things(viewer), words, most=MOST)[:MOST] if words else []
    return JsonResponse({"names": [named.words(thing) for thing in found]})


@require_safe
def search_page(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    words = " ".join(request.GET.get("q", "").split())[:LONGEST]
    found = search(viewer, words, today=today_of(request))
    pages = _pages(request, words)
    exact = [_line(viewer, kind.kind, hit) for kind in found for hit in kind.exact]
    groups = [
        {
            "title": KINDS[kind.kind][0],
            "lines": [_line(viewer, kind.kind, hit) for hit in kind.others],
            "more": kind.more,
        }
        for kind in found
        if kind.others
    ]
    if pages:
        groups.append({"title": _("Pages"), "lines": pages, "more": False})
    context = {
        "words": words,
        "finding": _finding(words, found, len(pages)),
        "exact": exact,
        "groups": groups,
    }
    return render(request, "scheduling/search.html", context)


def _group(viewer: Viewer, kind: Hits) -> dict[str, Any]:
    lines = [_line(viewer, kind.kind, hit) for hit in kind.others]
    return {"title": KINDS[kind.kind][0], "lines": lines, "more": kind.more}


def _line(viewer: Viewer, kind: str, hit: Hit) -> dict[str, Any]:
    title, page, icon = KINDS[kind]
    url = reverse(page, args=[hit.pk])
    if kind == "session" and not can_work_bench(viewer):
        url = reverse("scheduling:sessions")
    return {"url": url, "name": hit.name, "about": hit.about, "icon": icon, "kind": title}


def _pages(request: HttpRequest, words: str) -> list[dict[str, Any]]:
    """Pages of the shown role whose name has these words in it."""
    if not words:
        return []
    viewer = viewer_of_request(request)
    entries = [
        entry for group in more_groups(request, viewer, shown_role(request, viewer)) for entry in group["entries"]
    ]
    wanted = words.casefold()
    return [
        {"url": entry["url"], "name": entry["label"], "about": "", "icon": entry["icon"]}
        for entry in entries
        if wanted in str(entry["label"]).casefold()
    ]


def _finding(words: str, found: list[Hits], pages: int) -> str:
    if not words:
        return _("What are you looking for?")
    number = sum(len(kind.hits) for kind in found) + pages
    if not number:
        return _("Nothing that you may open matches “%(words)s”") % {"words": words}
    if any(kind.more for kind in found):
        return _("More than %(n)d things match “%(words)s”") % {"n": number, "words": words}
    return ngettext("%(n)d thing matches “%(words)s”", "%(n)d things match “%(words)s”", number) % {
        "n": number,
        "words": words,
    }
