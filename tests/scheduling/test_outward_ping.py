"""A sign of life to a service outside: off by default, after healthy ticks alone, and never in the way of one."""

import datetime as dt
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from accounts import outgoing
from scheduling.models import Delivery, DeliveryState
from scheduling.services import outward_ping
from scheduling.services.delivery import deliver_all_due, deliver_due
from scheduling.services.outward_ping import EVERY, Ping, ping_send
from tests.accounts.loopback import Sink, plain, serving
from tests.factories import NOW, MemberPersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db

SECOND = dt.timedelta(seconds=1)


@pytest.fixture
def sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[Sink]:
    with serving(tmp_path) as found:
        monkeypatch.setattr(outgoing, "RULES", found.rules())
        monkeypatch.setattr(outward_ping, "PING", Ping(ping_send))
        settings.PING_URL = found.url("/alive")
        yield found


def test_without_an_address_nobody_is_called(sink: Sink, settings: Any) -> None:
    settings.PING_URL = ""
    deliver_all_due()
    outward_ping.PING.wait(5)
    assert sink.asked == []


def test_a_healthy_tick_gives_one_sign_a_minute(sink: Sink) -> None:
    for _ in range(3):
        deliver_all_due()
        outward_ping.PING.wait(5)
    assert [(asked.path, asked.body) for asked in sink.asked] == [("/alive", b"")]
    ping = Ping(ping_send)
    began = []
    for seconds in (0, 5, 59, 60, 65, 121):
        began.append(ping.after_tick(now=NOW + seconds * SECOND))
        ping.wait(5)
    assert began == [True, False, False, True, False, True]


def test_the_command_that_ticks_once_waits_for_its_sign(sink: Sink, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduling.management.commands.run_ticker.close_old_connections", lambda: None)
    call_command("run_ticker", "--once")
    assert len(sink.asked) == 1


def test_while_something_critical_waits_there_is_none(sink: Sink, caplog: pytest.LogCaptureFixture) -> None:
    reminder = ReminderFactory(tell_at=NOW)
    deliver_due(now=NOW, send=lambda _row: None)
    waits = Delivery.objects.create(
        reminder=reminder,
        person=MemberPersonFactory(member=reminder.member).person,
        channel="mail",
        rung="again1",
        due_at=NOW,
        next_try_at=NOW + dt.timedelta(hours=1),
        state=DeliveryState.RETRY,
    )
    ping = Ping(ping_send)
    assert not ping.after_tick(now=NOW + dt.timedelta(minutes=3))
    assert "no sign of life is sent: A critical reminder has waited for 180 seconds" in caplog.text
    waits.delete()
    assert ping.after_tick(now=NOW + dt.timedelta(minutes=3))
    ping.wait(5)


def test_a_service_that_hangs_holds_up_no_tick_and_is_not_called_twice_at_once(settings: Any) -> None:
    settings.PING_URL = "https://alive.example.org/1"
    let_go, called = threading.Event(), []

    def hangs(url: str) -> None:
        called.append(url)
        let_go.wait(30)

    ping = Ping(hangs)
    assert ping.after_tick(now=NOW)
    assert not ping.after_tick(now=NOW + EVERY)  # while the first still hangs
    let_go.set()
    ping.wait(5)
    assert ping.after_tick(now=NOW + 2 * EVERY)
    ping.wait(5)
    assert len(called) == 2


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("http://alive.example.org/", "must begin with https://"),
        ("https://10.0.0.1/alive", "private network"),
    ],
)
def test_an_address_that_may_not_be_called_is_named_in_the_log(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, url: str, words: str
) -> None:
    monkeypatch.setattr(outgoing, "RULES", outgoing.Rules(lookup=lambda host, port: ["10.0.0.1"]))
    ping_send(url)
    assert words in caplog.text


def test_a_service_that_refuses_is_named_in_the_log(sink: Sink, caplog: pytest.LogCaptureFixture) -> None:
    sink.answer = lambda handler: plain(handler, 404)
    ping_send(sink.url("/alive"))
    assert "answered with 404" in caplog.text
