"""Receives the webhooks of a Broodtide, without dependencies: checks who calls, takes each event once.

    BROODTIDE_WEBHOOK_SECRET=whsec_… python receiver.py 8000

A webhook is called by https: put a proxy with a certificate in front. Answer quickly and do the work afterwards.
"""

import base64
import hashlib
import hmac
import json
import os
import sys
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

OLDEST_SECONDS = 300
REMEMBERED = 10_000


class NotOurs(Exception):  # noqa: N818
    """The call is not from who knows the secret, or it is an old one."""


def checked(secret: str, headers: Mapping[str, str], body: bytes, *, now: float | None = None) -> dict[str, Any]:
    """The event, if the call is theirs. Any one of the signatures will do: two secrets count while one is renewed."""
    headers = {name.lower(): value for name, value in headers.items()}
    key, seconds = headers.get("webhook-id", ""), headers.get("webhook-timestamp", "")
    if not seconds.isdecimal() or abs((time.time() if now is None else now) - int(seconds)) > OLDEST_SECONDS:
        raise NotOurs("too old")
    known = base64.b64decode(secret.removeprefix("whsec_"))
    digest = hmac.new(known, f"{key}.{seconds}.".encode() + body, hashlib.sha256).digest()
    wanted = "v1," + base64.b64encode(digest).decode()
    if not any(hmac.compare_digest(wanted, said) for said in headers.get("webhook-signature", "").split()):
        raise NotOurs("not signed by them")
    event: dict[str, Any] = json.loads(body)
    return event


class Receiver:
    """Hands each event on once, however often it is sent."""

    def __init__(self, secret: str, take: Callable[[dict[str, Any]], None]) -> None:
        self._secret, self._take = secret, take
        self._seen: OrderedDict[str, None] = OrderedDict()

    def answer(self, headers: Mapping[str, str], body: bytes, *, now: float | None = None) -> int:
        """The status to answer with: 2xx is taken, anything else is sent again later."""
        try:
            event = checked(self._secret, headers, body, now=now)
        except (NotOurs, ValueError):
            return 401
        key = next(value for name, value in headers.items() if name.lower() == "webhook-id")
        if key not in self._seen:
            self._take(event)
            self._seen[key] = None  # only now: an event that breaks is sent again
            while len(self._seen) > REMEMBERED:
                self._seen.popitem(last=False)
        return 204


def handler_of(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            self.send_response(receiver.answer(dict(self.headers), body))
            self.send_header("Content-Length", "0")
            self.end_headers()

    return Handler


def tell(event: dict[str, Any]) -> None:
    data = event["data"]
    print(event["timestamp"], event["type"], data.get("url") or data.get("id", ""), flush=True)


def main() -> None:
    receiver = Receiver(os.environ["BROODTIDE_WEBHOOK_SECRET"], tell)
    ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), handler_of(receiver)).serve_forever()


if __name__ == "__main__":
    main()
