"""A small client of the HTTP API, in one file and with nothing but Python's own library.

Copy it into your program. `docs/api.md` says what each address does; `docs/openapi.yaml` describes every field.

    hives = Broodtide("https://bees.example.org", "bt_…")
    for queen in hives.all("queens", status="mated"):
        print(queen["label"])
"""

import json
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.error import HTTPError
from urllib.parse import urlencode, urljoin
from urllib.request import Request, urlopen

Json = dict[str, Any]
Headers = Mapping[str, str]
Send = Callable[[str, str, Headers, bytes | None], tuple[int, Headers, bytes]]
BUSY = {429, 503}


class Refused(Exception):  # noqa: N818 - an answer, not an error
    """The answer was no. `detail` says why and what to do, `rule` is the rule of the trade, if it was one."""

    def __init__(self, status: int, problem: Json) -> None:
        super().__init__(f"{status}: {problem.get('detail', '')}")
        self.status = status
        self.detail: str = problem.get("detail", "")
        self.rule: str = problem.get("rule", "")
        self.errors: list[Json] = problem.get("errors", [])
        self.current: Json | None = problem.get("current")


@dataclass(frozen=True)
class Thing:
    """One thing as it was read, with the mark of that reading: a change is refused when it has changed since."""

    data: Json
    etag: str

    def __getitem__(self, name: str) -> Any:
        return self.data[name]


class Broodtide:
    """All that a key may do. Waits and tries again when the server is busy; every POST is safe to repeat."""

    def __init__(self, site: str, key: str, *, send: Send | None = None, tries: int = 4) -> None:
        self.root = urljoin(site, "/api/v1/")
        self._key = key
        self._send = send or _over_http
        self._tries = tries

    def me(self) -> Json:
        return self.get("me/").data

    def all(self, kind: str, **narrowed: str | int) -> Iterator[Json]:
        """Everything of one kind, page by page: `all("scores", trait="honey_yield", page_size=200)`."""
        address: str | None = f"{kind}/?{urlencode(narrowed)}" if narrowed else f"{kind}/"
        while address:
            page = self.get(address).data
            yield from page["results"]
            address = page["next"]

    def one(self, kind: str, number: int) -> Thing:
        return self.get(f"{kind}/{number}/")

    def make(self, kind: str, body: Json) -> Thing:
        return self.post(f"{kind}/", body)

    def change(self, kind: str, thing: Thing, **fields: Any) -> Thing:
        """Refused with 412 when somebody changed it since it was read: `Refused.current` is how it stands now."""
        return self._ask("PATCH", f"{kind}/{thing['id']}/", fields, {"If-Match": thing.etag})

    def act(self, kind: str, thing: Thing, what: str, **fields: Any) -> Thing:
        """`act("queens", queen, "gone", gone_on="2026-06-09")`."""
        return self._ask("POST", f"{kind}/{thing['id']}/{what}/", fields, {**_own_key(), "If-Match": thing.etag})

    def get(self, address: str) -> Thing:
        return self._ask("GET", address, None, {})

    def post(self, address: str, body: Json) -> Thing:
        return self._ask("POST", address, body, _own_key())

    def _ask(self, method: str, address: str, body: Json | None, headers: Headers) -> Thing:
        sent = None if body is None else json.dumps(body).encode()
        named = {"Authorization": f"Bearer {self._key}", "Content-Type": "application/json", **headers}
        for left in reversed(range(self._tries)):
            status, got, content = self._send(method, urljoin(self.root, address), named, sent)
            if status in BUSY and left:
                time.sleep(float(got.get("Retry-After", "1")))
                continue
            said = json.loads(content) if content else {}
            if status >= 400:
                raise Refused(status, said)
            return Thing(said, got.get("ETag", ""))
        raise AssertionError("unreachable")


def _own_key() -> Headers:
    """Made once for each request, so that a repeat of it after a lost answer does nothing."""
    return {"Idempotency-Key": str(uuid.uuid4())}


def _over_http(method: str, address: str, headers: Headers, body: bytes | None) -> tuple[int, Headers, bytes]:
    request = Request(address, data=body, headers=dict(headers), method=method)  # noqa: S310 - the site is yours
    try:
        with urlopen(request, timeout=30) as answer:  # noqa: S310
            return answer.status, dict(answer.headers), answer.read()
    except HTTPError as error:
        return error.code, dict(error.headers), error.read()
