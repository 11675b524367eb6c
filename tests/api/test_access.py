"""Every endpoint as everybody: from the resolver, so that a new one fails until it stands in the table."""

from collections.abc import Callable, Iterator

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests.api.conftest import WHO, House

pytestmark = pytest.mark.django_db

Codes = dict[str, int]
INSIDE = ["member", "colleague", "other member", "coordinator", "breeder", "operator"]
OUTSIDE: Codes = {"nobody": 403, "anonymous": 401}


def codes(inside: int, *, other: int | None = None, **but: int) -> Codes:
    """The same for everybody inside, except as said; `other`: the coordinator of another cooperative."""
    found = {**dict.fromkeys(INSIDE, inside), **OUTSIDE, "other cooperative": inside if other is None else other}
    return found | {who.replace("_", " "): code for who, code in but.items()}


def own(code: int, otherwise: int) -> Codes:
    """The thing's own member with its colleague, and the coordinator; the others may only look, or not even that."""
    return codes(otherwise, other=404, member=code, colleague=code, coordinator=code)


LIST, ONE = codes(200), codes(200, other=404)
CHANGE, ACT, ACT_WITH_BODY = own(428, 403), own(200, 403), own(400, 403)
COORDINATOR = codes(403, other=404, coordinator=200)
BENCH, BENCH_ONE = (
    codes(403, other=200, coordinator=200, operator=200),
    codes(403, other=404, coordinator=200, operator=200),
)
AT_BENCH_WITH_BODY = codes(403, other=404, coordinator=400, operator=400)
MAKE = codes(400)

# name of the route, method: the thing it is about, who gets what for an empty body
TABLE: dict[tuple[str, str], tuple[str, Codes]] = {
    ("me", "get"): ("", LIST),
    ("members-list", "get"): ("", LIST),
    ("members-detail", "get"): ("member", ONE),
    ("members-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("members-detail", "patch"): ("member", own(428, 403)),
    ("members-leave", "post"): ("member", codes(403, other=404, coordinator=400)),
    ("members-return", "post"): ("member", COORDINATOR),
    ("people-list", "get"): ("", codes(403, other=200, coordinator=200)),
    ("people-detail", "get"): ("person", codes(403, other=404, coordinator=200)),
    ("people-roles", "put"): ("person", codes(403, other=404, coordinator=428)),
    ("people-join", "post"): ("person", codes(403, other=404, coordinator=400)),
    ("people-part", "post"): ("person", codes(403, other=404, coordinator=400)),
    ("invitations-list", "get"): ("", codes(403, other=200, coordinator=200)),
    ("invitations-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("invitations-detail", "get"): ("invitation", codes(403, other=404, coordinator=200)),
    ("invitations-again", "post"): ("invitation", codes(403, other=404, coordinator=200)),
    ("invitations-end", "post"): ("invitation", codes(403, other=404, coordinator=204)),
    ("apiaries-list", "get"): ("", LIST),
    ("apiaries-list", "post"): ("", codes(400, breeder=403, operator=403)),
    ("apiaries-detail", "get"): ("apiary", own(200, 404)),
    ("apiaries-detail", "patch"): ("apiary", own(428, 404)),
    ("apiaries-close", "post"): ("apiary", own(400, 404)),
    ("apiaries-reopen", "post"): ("apiary", own(200, 404)),
    ("queens-list", "get"): ("", LIST),
    ("queens-list", "post"): ("", codes(400, breeder=403, operator=403)),
    ("queens-detail", "get"): ("queen", ONE),
    ("queens-detail", "patch"): ("queen", CHANGE),
    ("queens-gone", "post"): ("queen", ACT_WITH_BODY),
    ("queens-back", "post"): ("queen", ACT),
    ("queens-mating", "put"): ("queen", CHANGE),
    ("queens-withdraw-mating", "post"): ("queen", own(409, 403)),  # she has scores
    ("lines-list", "get"): ("", LIST),
    ("lines-detail", "get"): ("line", ONE),
    ("lines-list", "post"): ("", codes(403, other=400, coordinator=400, breeder=400)),
    ("lines-detail", "patch"): ("line", codes(403, other=404, coordinator=428, breeder=428)),
    ("semen-batches-list", "get"): ("", LIST),
    ("semen-batches-detail", "get"): ("semen_batch", ONE),
    ("colonies-list", "get"): ("", LIST),
    ("colonies-list", "post"): ("", MAKE),
    ("colonies-detail", "get"): ("colony", ONE),
    ("colonies-requeen", "post"): ("colony", ACT_WITH_BODY),
    ("colonies-end", "post"): ("colony", ACT_WITH_BODY),
    ("traits-list", "get"): ("", LIST),
    ("traits-detail", "get"): ("trait", ONE),
    ("scores-list", "get"): ("", LIST),
    ("scores-list", "post"): ("", MAKE),
    ("scores-detail", "get"): ("score", ONE),
    ("scores-correct", "post"): ("score", own(422, 403)),  # without a value
    ("scores-withdraw", "post"): ("score", ACT),
    ("scores-restore", "post"): ("score", ACT),
    ("evaluations-list", "get"): ("", LIST),
    ("evaluations-list", "post"): ("", codes(403, other=202, coordinator=202, breeder=202)),
    ("evaluations-detail", "get"): ("evaluation", ONE),
    ("evaluations-ranking", "get"): ("evaluation", ONE),
    ("evaluations-values", "get"): ("evaluation", ONE),
    ("crosses-list", "get"): ("", LIST),
    ("crosses-list", "post"): ("", codes(403, other=400, coordinator=400, breeder=400)),
    ("crosses-detail", "get"): ("cross", ONE),
    ("crosses-detail", "delete"): ("cross", codes(403, other=404, coordinator=428, breeder=428)),
    ("seasons-list", "get"): ("", LIST),
    ("seasons-detail", "get"): ("season", ONE),
    ("seasons-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("seasons-figures", "get"): ("season", ONE),
    ("seasons-set-figure", "post"): ("season", codes(403, other=404, coordinator=400)),
    ("batches-list", "get"): ("", LIST),
    ("batches-list", "post"): ("", codes(400, breeder=403, operator=403)),
    ("batches-detail", "get"): ("batch", ONE),
    ("batches-detail", "patch"): ("batch", CHANGE),
    ("batches-replan", "post"): ("batch", ACT_WITH_BODY),
    ("batches-observe", "post"): ("batch step", ACT_WITH_BODY),
    ("batches-take-back", "post"): ("batch step", ACT),
    ("batches-emergence", "post"): ("batch", ACT_WITH_BODY),
    ("batches-first-co2", "post"): ("batch", ACT_WITH_BODY),
    ("batches-close", "post"): ("batch", own(409, 403)),  # it has bookings
    ("batches-reopen", "post"): ("batch", ACT),
    ("batches-calendar", "get"): ("batch", ONE),
    ("batch-queens-list", "get"): ("", LIST),
    ("batch-queens-detail", "get"): ("batch_queen", ONE),
    ("batch-queens-leaves", "post"): ("batch_queen", ACT_WITH_BODY),
    ("batch-queens-back", "post"): ("batch_queen", ACT),
    ("batch-queens-nuc", "post"): ("batch_queen", ACT),
    ("batch-queens-check", "post"): ("batch_queen", ACT_WITH_BODY),
    ("sources-list", "get"): ("", LIST),
    ("sources-list", "post"): ("", codes(400, breeder=403, operator=403)),
    ("sources-detail", "get"): ("source", ONE),
    ("sources-detail", "patch"): ("source", CHANGE),
    ("sources-hold", "post"): ("source", codes(403, other=404, coordinator=400)),
    ("sources-release", "post"): ("source", COORDINATOR),
    ("sources-withdraw", "post"): ("source", ACT),
    ("cohorts-list", "get"): ("", LIST),
    ("cohorts-list", "post"): ("", MAKE),
    ("cohorts-detail", "get"): ("cohort", ONE),
    ("cohorts-observe", "post"): ("cohort", ACT_WITH_BODY),
    ("cohorts-count", "post"): ("cohort", ACT_WITH_BODY),
    ("bookings-list", "get"): ("", LIST),
    ("bookings-list", "post"): ("", MAKE),
    ("bookings-detail", "get"): ("booking", own(200, 404) | {"operator": 200}),
    ("bookings-widen", "post"): ("booking", own(400, 404) | {"operator": 403}),
    ("bookings-withdraw", "post"): ("booking", own(200, 404) | {"operator": 403}),
    ("offers-list", "get"): ("", LIST),
    ("offers-detail", "get"): ("offer", own(200, 404)),
    ("offers-accept", "post"): ("offer", own(409, 404)),  # its time is over
    ("offers-decline", "post"): ("offer", own(409, 404)),  # its time is over
    ("benches-list", "get"): ("", LIST),
    ("benches-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("benches-detail", "get"): ("bench", ONE),
    ("sessions-list", "get"): ("", LIST),
    ("sessions-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("sessions-detail", "get"): ("session", ONE),
    ("sessions-detail", "patch"): ("session", codes(403, other=404, coordinator=428)),
    ("sessions-call-off", "post"): ("session", codes(403, other=404, coordinator=400)),
    ("plans-list", "get"): ("", codes(403, other=200, coordinator=200)),
    ("plans-list", "post"): ("", codes(403, other=409, coordinator=409)),  # figures are missing; no season
    ("plans-detail", "get"): ("plan", COORDINATOR),
    ("plans-compare", "get"): ("plan", codes(403, other=404, coordinator=400)),
    ("plans-publish", "post"): ("plan", codes(403, other=404, coordinator=428)),
    ("plans-discard", "post"): ("plan", COORDINATOR),
    ("plans-sketch", "post"): ("plan", codes(403, other=404, coordinator=409)),  # it is one
    ("plans-move", "post"): ("plan", codes(403, other=404, coordinator=400)),
    ("plans-take-out", "post"): ("plan", codes(403, other=404, coordinator=400)),
    ("plans-move-back", "post"): ("plan", codes(403, other=404, coordinator=409)),  # nothing was moved
    ("plans-repair", "post"): ("plan", codes(403, other=404, coordinator=409)),  # not in force
    ("plans-choose", "post"): ("plan", codes(403, other=404, coordinator=400)),
    ("what-ifs-list", "get"): ("", codes(403, other=200, coordinator=200)),
    ("what-ifs-list", "post"): ("", codes(403, other=400, coordinator=400)),
    ("what-ifs-detail", "get"): ("what_if", COORDINATOR),
    ("what-ifs-stop", "post"): ("what_if", COORDINATOR),
    ("what-ifs-keep", "post"): ("what_if", codes(403, other=404, coordinator=400)),
    ("bench-entries-list", "get"): ("", BENCH),
    ("bench-entries-list", "post"): ("", codes(403, other=400, coordinator=400, operator=400)),
    ("bench-entries-detail", "get"): ("entry", BENCH_ONE),
    ("bench-entries-again", "post"): (
        "entry",
        codes(403, other=404, coordinator=409, operator=409),
    ),  # still unreadable
    ("bench-entries-let-be", "post"): ("entry", codes(403, other=404, coordinator=400, operator=400)),
    ("reminders-list", "get"): ("", LIST),
    ("reminders-detail", "get"): ("reminder", own(200, 404)),
    ("reminders-done", "post"): ("reminder", own(200, 404)),
    ("reminders-acknowledge", "post"): ("reminder", own(200, 404)),
    ("reminders-let-go", "post"): ("reminder", own(200, 404)),
    ("reminders-take-back", "post"): ("reminder", own(200, 404)),
    ("reminders-put-off", "post"): ("reminder", own(400, 404)),
    ("bench-sessions-list", "get"): ("", BENCH),
    ("bench-sessions-detail", "get"): ("session", BENCH_ONE),
    ("bench-sessions-start", "post"): ("session", AT_BENCH_WITH_BODY),
    ("bench-sessions-close", "post"): ("session", codes(403, other=404, coordinator=409, operator=409)),  # never begun
    ("bench-sessions-correct", "post"): ("session", AT_BENCH_WITH_BODY),
    ("places-list", "get"): ("", BENCH),
    ("places-detail", "get"): ("place", BENCH_ONE),
    ("lots-list", "get"): ("", BENCH),
    ("lots-detail", "get"): ("lot", BENCH_ONE),
    ("doses-list", "get"): ("", BENCH),
    ("doses-detail", "get"): ("dose", BENCH_ONE),
    ("co2-treatments-list", "get"): ("", BENCH),
    ("co2-treatments-detail", "get"): ("co2", BENCH_ONE),
    ("openapi", "get"): ("", {**LIST, "nobody": 200}),
    ("nowhere", "get"): ("", codes(404, nobody=404)),
}
KEY = {"bookings-list", "offers-accept", "plans-publish"}  # these want a key before anything else


def routes() -> Iterator[tuple[str, str]]:
    """(name, method) of every endpoint that the resolver knows."""
    [api] = [part for part in get_resolver().url_patterns if isinstance(part, URLResolver) and _is_api(part)]
    [v1] = [part for part in api.url_patterns if isinstance(part, URLResolver)]
    for pattern in v1.url_patterns:
        assert isinstance(pattern, URLPattern)
        actions = getattr(pattern.callback, "actions", None) or {"get": "get"}
        for method in actions:
            if method != "head":
                yield str(pattern.name), method


def _is_api(part: URLResolver) -> bool:
    return any(str(inner.pattern) == "api/v1/" for inner in part.url_patterns)


def test_every_route_and_method_stands_in_the_table() -> None:
    assert set(routes()) == set(TABLE)


@pytest.mark.parametrize(("name", "method"), TABLE, ids=[" ".join(key) for key in TABLE])
def test_everybody_gets_what_is_theirs(
    client_of: Callable[[str], Client], house: House, name: str, method: str
) -> None:
    thing, expected = TABLE[name, method]
    kind, *rest = thing.split() or [""]
    args = ([house.id_of(kind)] if kind else []) + (["started"] if rest else [])
    address = reverse(f"api:{name}", args=args)
    headers = {"Idempotency-Key": "1"} if name in KEY else {}
    got: Codes = {}
    for who in WHO:
        with transaction.atomic():
            client = client_of(who)
            answer = getattr(client, method)(address, data={}, content_type="application/json", headers=headers)
            transaction.set_rollback(True)  # the next one finds it as it was
        got[who] = answer.status_code
        if answer.status_code >= 400:
            assert answer["Content-Type"] == "application/problem+json"
            assert answer.json()["status"] == answer.status_code
    assert got == expected
