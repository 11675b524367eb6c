"""What the tests of whole pages share: Chromium, a clock that the test moves, and people at their devices."""

import datetime as dt
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, sync_playwright

from breeding.models import Mating, SemenBatch
from tests.browser.seat import Seat
from tests.browser.world import FIRST_DAY, Clock, JourneyWorld, world_make


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    # Playwright keeps an event loop on this thread; the database is used by no coroutine of it.
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        yield chromium
        chromium.close()
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]
    else:
        os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = before


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

    def opened(email: str, *, width: int = 1280, height: int = 900) -> Seat:
        context = browser.new_context(viewport={"width": width, "height": height})
        context.set_default_timeout(10_000)
        contexts.append(context)
        one = Seat(context.new_page(), str(live_server.url))
        one.sign_in(email)
        return one

    yield opened
    for context in contexts:
        context.close()


def day(offset: int) -> dt.date:
    """A day of the journey, counted from its first."""
    return FIRST_DAY.date() + dt.timedelta(days=offset)
