"""What the tests of whole pages share: Chromium, a clock that the test moves, and people at their devices."""

import datetime as dt
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.core.handlers.wsgi import WSGIHandler
from django.db import connection
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from playwright.sync_api import Browser, Playwright, sync_playwright

from accounts.models import Role
from breeding.models import Mating, SemenBatch
from tests.browser.phone import Phone
from tests.browser.relay import Relay
from tests.browser.seat import PATIENCE_MS, Seat
from tests.browser.tablet import Tablet
from tests.browser.world import FIRST_DAY, Clock, JourneyWorld, world_make
from tests.factories import NOW, RoleGrantFactory
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import World, make_world


@pytest.fixture(scope="package")
def playwright() -> Iterator[Playwright]:
    with pytest.MonkeyPatch.context() as patch:
        # Playwright keeps an event loop on this thread; the database is used by no coroutine of it.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        with sync_playwright() as one:
            yield one


@pytest.fixture(scope="package")
def browser(playwright: Playwright) -> Iterator[Browser]:
    """One for all; what a test opens in it has a context of its own, which it closes."""
    chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
    yield chromium
    chromium.close()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Server and test read the same moment, and only the test moves it."""
    one = Clock(FIRST_DAY)
    monkeypatch.setattr(timezone, "now", lambda: one.now)
    return one


@pytest.fixture
def world(transactional_db: None, clock: Clock) -> Iterator[JourneyWorld]:
    yield world_make(clock)
    semen_batches_open()


def semen_batches_open() -> None:
    """What is complete must add up, so its shares cannot be emptied from below as the database is flushed."""
    SemenBatch.objects.update(is_complete=False)
    Mating.objects.update(is_complete=False)


Open = Callable[..., Seat]


@pytest.fixture
def seat(browser: Browser, live_server: Any, settings: Any) -> Iterator[Open]:
    """`seat(email)`: somebody signs in by the form, on a device of their own."""
    settings.EMAIL_BACKEND = "accounts.mail.KeptMailBackend"
    contexts = []

    def opened(
        email: str, *, width: int = 1280, height: int = 900, javascript: bool = True, kind: type[Seat] = Seat
    ) -> Seat:
        context = browser.new_context(viewport={"width": width, "height": height}, java_script_enabled=javascript)
        context.set_default_timeout(PATIENCE_MS)
        contexts.append(context)
        one = kind(context.new_page(), str(live_server.url))
        one.sign_in(email)
        return one

    yield opened
    for context in contexts:
        context.close()


def day(offset: int) -> dt.date:
    """A day of the journey, counted from its first."""
    return FIRST_DAY.date() + dt.timedelta(days=offset)


Switch = Callable[..., Tablet]


@pytest.fixture
def server_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The server's clock runs, from the morning of the bench day on; the tablet's own shows another year."""
    real = timezone.now
    began = real()
    monkeypatch.setattr(timezone, "now", lambda: NOW + (real() - began))


@pytest.fixture
def own_transactions(monkeypatch: pytest.MonkeyPatch) -> None:
    """In memory, SQLite has one connection for all threads of the server: requests then come one after the other."""
    if connection.vendor != "sqlite":
        return
    lock, answer = threading.Lock(), WSGIHandler.get_response

    def in_turn(handler: WSGIHandler, request: HttpRequest) -> HttpResponseBase:
        with lock:
            return answer(handler, request)

    monkeypatch.setattr(WSGIHandler, "get_response", in_turn)


@pytest.fixture
def bench(transactional_db: None, server_clock: None, own_transactions: None) -> Iterator[Bench]:
    one = Bench(queens=4)
    RoleGrantFactory(person=one.by, cooperative=one.session.season.cooperative, role=Role.OPERATOR)
    yield one
    semen_batches_open()


@pytest.fixture
def relay(live_server: Any) -> Iterator[Relay]:
    parts = urlsplit(live_server.url)
    one = Relay(str(parts.hostname), int(parts.port or 0))
    yield one
    one.close()


@pytest.fixture
def tablet(playwright: Playwright, relay: Relay, bench: Bench, tmp_path: Path) -> Iterator[Switch]:
    """`tablet()`: a tablet that has visited the bench once, with the operator signed in."""
    made: list[Tablet] = []

    def switched_on(name: str = "one", person: Any = None) -> Tablet:
        one = Tablet(playwright, relay, tmp_path / name)
        made.append(one)
        one.sign_in(person or bench.by)
        one.visit_once(bench.session.pk)
        return one

    yield switched_on
    for one in made:
        one.off()


TakeOut = Callable[..., Phone]


@pytest.fixture
def hives(transactional_db: None, server_clock: None, own_transactions: None) -> World:
    return make_world()


@pytest.fixture
def phone(playwright: Playwright, relay: Relay, hives: World, tmp_path: Path) -> Iterator[TakeOut]:
    """`phone()`: a phone on which the owner of the hives is signed in."""
    made: list[Phone] = []

    def taken_out(name: str = "one", person: Any = None) -> Phone:
        one = Phone(playwright, relay, tmp_path / name)
        made.append(one)
        one.sign_in(person or hives.owner)
        return one

    yield taken_out
    for one in made:
        one.off()
