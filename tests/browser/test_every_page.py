"""Every page of every role, on a phone and on a desk: it opens, says one thing first, and does not scroll sideways."""

from urllib.parse import urlsplit

import pytest
from django.urls import Resolver404, resolve

from tests.browser.conftest import Open, day
from tests.browser.pages import NO_PAGES
from tests.browser.seat import Seat
from tests.browser.world import JourneyWorld, asked, batch_grafted, day_opened, source_offered

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WIDTHS = (390, 1280)
ROLES = {
    "member1": {"scheduling:book_drones", "scheduling:batch_step", "breeding:scores", "accounts:apiary_add"},
    "coordinator": {"scheduling:session_add", "scheduling:balance", "accounts:members", "scheduling:setting"},
    "breeder": {
        "breeding:standing",
        "breeding:crosses",
        "breeding:cross",
        "breeding:planned_crosses",
        "breeding:contributions",
        "breeding:population",
        "breeding:pedigree",
    },
    "operator": {"scheduling:bench", "scheduling:bench_session", "scheduling:outcomes"},
}
LINKS = "[...document.querySelectorAll('a[href]')].map(one => new URL(one.getAttribute('href'), location).href)"
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def season_begun(world: JourneyWorld) -> None:
    """A batch, a source, a bench day, a request: enough that every kind of card is there."""
    queen = world.mated_queens(world.members[0])[0]
    source = source_offered(world, 0, name="Ling", drone_queen=queen, comb_in_on=day(-23), capped=700)
    unrelated = next(one for one in world.mated_queens(world.members[0]) if one.line_id != queen.line_id)
    batch = batch_grafted(world, 0, name="Rowan", mother=unrelated, on=day(0), cells=12)
    session = day_opened(world, day(20), places=6)
    asked(world, batch, queens=4, sources=[source], session=session)


@pytest.mark.parametrize("who", ROLES)
def test_every_page_that_links_lead_to(world: JourneyWorld, seat: Open, who: str) -> None:
    season_begun(world)
    one = seat(f"{who}@example.org")
    waiting, seen, wrong = ["/", "/more/"], set(), []
    while waiting:
        path = waiting.pop(0)
        kind = kind_of(path)
        if kind is None or kind in seen:
            continue
        seen.add(kind)
        wrong += faults_of(one, path)
        waiting += [address_of(link) for link in one.page.evaluate(LINKS) if link.startswith(one.site)]
    assert wrong == []
    assert {name for name, _kwargs in seen} >= ROLES[who]


def address_of(link: str) -> str:
    parts = urlsplit(link)
    return f"{parts.path}?{parts.query}" if parts.query else parts.path


def kind_of(path: str) -> tuple[str, str] | None:
    """Pages that differ only in their number are one kind; named steps are kinds of their own."""
    try:
        match = resolve(urlsplit(path).path)
    except Resolver404:
        return None
    if match.view_name in NO_PAGES or match.namespace == "admin" or match.route.startswith("api/v1/"):
        return None
    words = [str(value) for value in match.kwargs.values() if not str(value).isdigit()]
    return match.view_name, " ".join(words)


def faults_of(one: Seat, path: str) -> list[str]:
    """Opened once, looked at in each width: what the server sends does not depend on it."""
    one.page.set_viewport_size({"width": WIDTHS[0], "height": 900})
    one.said.clear()
    status = one.goto_path(path)
    one.page.wait_for_load_state("load")
    found = {"status": status if status != 200 else 0, "headings": one.page.locator("h1").count() - 1}
    for width in WIDTHS:
        one.page.set_viewport_size({"width": width, "height": 900})
        found[f"px too wide at {width}"] = one.page.evaluate(OVERFLOW)
    return [f"{path}: {what} {number}" for what, number in found.items() if number] + [
        f"{path}: {text}" for text in one.said
    ]
