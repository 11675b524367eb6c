"""The minute sweep as one loop: what may hang goes on beside it."""

import signal
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.core.management import call_command

from config.celery import app as celery_app
from scheduling.management.commands import run_ticker
from tests.factories import NOW

TICKS = 5


@pytest.fixture(autouse=True)
def _signals_as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def test_a_webhook_that_hangs_delays_no_tick(monkeypatch: pytest.MonkeyPatch, settings: Any) -> None:
    settings.TICK_SECONDS = 0.01
    free, told, ended, ticks = threading.Event(), [], [], []

    def hangs(*, now: object) -> None:
        told.append(now)
        free.wait(10)
        ended.append(now)

    def tick(*, go_on: Callable[[], bool]) -> None:
        ticks.append(len(ended))
        if len(ticks) == TICKS:
            signal.raise_signal(signal.SIGTERM)
            free.set()

    monkeypatch.setattr(run_ticker, "webhooks_deliver", hangs)
    monkeypatch.setattr(run_ticker, "deliver_all_due", tick)
    monkeypatch.setattr(run_ticker, "database_now", lambda: NOW)
    monkeypatch.setattr(run_ticker, "close_old_connections", lambda: None)
    for name in ("nightly_ask", "reminders_rederive", "summaries_write", "answers_forget"):
        monkeypatch.setattr(run_ticker, name, lambda **_: None)
    for name in ("labels_fill", "statistics_count"):
        monkeypatch.setattr(run_ticker, name, lambda: None)
    call_command("run_ticker")
    assert ticks == [0] * TICKS  # every tick came while the first call still hung
    assert (len(told), len(ended)) == (1, 1)  # no second one while it hung


def test_webhooks_and_reminders_wait_in_different_queues() -> None:
    queues = {
        celery_app.amqp.router.route({}, task)["queue"].name
        for task in ("accounts.webhooks_deliver", "scheduling.deliver_due")
    }
    assert len(queues) == 2
