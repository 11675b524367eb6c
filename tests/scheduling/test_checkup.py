"""Every thing that can go wrong with an installation is named, with what to do about it."""

import datetime as dt
import io
import json
import os
import socket
import time
from pathlib import Path

import pytest
from django.core.management import call_command
from django.utils import timezone
from pytest_django import Settings

from accounts.models import Cooperative, Job
from config.celery import app
from scheduling.models import Delivery, DeliveryState, Heartbeat
from scheduling.services.checkup import Finding, State, looked_over, machine, services
from scheduling.services.checkup.finding import found
from scheduling.services.heartbeat import beat
from tests.factories import CooperativeFactory, PersonFactory, ReminderFactory
from tests.faults.sink import Sink

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def folder(settings: Settings, tmp_path: Path) -> Path:
    """An embedded installation with a fresh copy of its database, a sweep that runs and a key for devices."""
    settings.DATA_DIR = tmp_path
    (tmp_path / "backups").mkdir()
    (tmp_path / "backups" / "broodtide-20260609T030000Z.sqlite3").touch()
    beat(now=timezone.now())
    return tmp_path


def finding(name: str, *, now: dt.datetime | None = None) -> Finding:
    [one] = [one for one in looked_over(now=now or timezone.now()) if one.name == name]
    return one


def test_a_well_installation_has_nothing_wrong_and_every_finding_that_is_not_well_says_what_to_do(folder: Path) -> None:
    findings = looked_over(now=timezone.now())
    assert [one for one in findings if one.state == State.WRONG] == []
    assert [one.name for one in findings if one.state == State.LOOK] == ["mail", "devices"]
    assert all(bool(one.to_do) == (one.state != State.WELL) for one in findings)
    assert len({one.name for one in findings}) == len(findings) == 15


def test_files_nobody_knows_and_halves_of_copies_are_named(folder: Path) -> None:
    (folder / "backups" / ".broodtide-1.sqlite3.half").touch()
    (folder / "old.sqlite3").touch()
    one = finding("files")
    assert one.state == State.LOOK
    assert one.text == f"nobody knows old.sqlite3, backups/.broodtide-1.sqlite3.half in {folder}"


def test_old_copies_are_noticed(folder: Path) -> None:
    [copy] = (folder / "backups").iterdir()
    old = time.time() - 60 * 3600
    os.utime(copy, (old, old))
    assert (finding("copies").state, finding("copies").text) == (State.LOOK, "the newest is 60 h old")
    copy.unlink()
    assert "there is none" in finding("copies").text


@pytest.mark.parametrize(("free", "state"), [(5e9, State.WELL), (5e8, State.LOOK), (1e8, State.WRONG)])
def test_a_disk_that_fills_is_noticed(folder: Path, monkeypatch: pytest.MonkeyPatch, free: float, state: State) -> None:
    usage = type("Usage", (), {"free": int(free)})
    monkeypatch.setattr("shutil.disk_usage", lambda _path: usage)
    assert finding("disk").state == state


@pytest.mark.parametrize(("ahead", "state"), [(1, State.WELL), (-10, State.LOOK), (45, State.WRONG)])
def test_a_clock_apart_from_the_databases_is_noticed(
    folder: Path, monkeypatch: pytest.MonkeyPatch, ahead: int, state: State
) -> None:
    monkeypatch.setattr(machine, "database_now", lambda: timezone.now() - dt.timedelta(seconds=ahead))
    assert finding("clock").state == state


def test_a_zone_without_data_is_named(folder: Path) -> None:
    Cooperative.objects.filter(pk=CooperativeFactory().pk).update(time_zone="Valley/Upper")
    one = finding("time zones")
    assert (one.state, one.text) == (State.WRONG, "no data for Valley/Upper")


def test_a_sweep_that_stopped_is_wrong(folder: Path) -> None:
    Heartbeat.objects.update(at=timezone.now() - HOUR)
    assert finding("sweep").state == State.WRONG


def test_what_was_given_up_is_named_and_what_waits_too_long_is_wrong(folder: Path) -> None:
    now = timezone.now()
    reminder = ReminderFactory(critical=True, due_at=now - HOUR)
    assert finding("reminders", now=now).state == State.WRONG
    reminder.tell_at = None
    reminder.save(update_fields=["tell_at"])
    Delivery.objects.create(
        reminder=reminder,
        person=PersonFactory(),
        channel="mail",
        due_at=now - HOUR,
        state=DeliveryState.DEAD,
    )
    assert (finding("reminders", now=now).state, finding("reminders", now=now).text[:1]) == (State.LOOK, "1")


def test_long_work_that_nobody_takes_up_is_noticed(folder: Path) -> None:
    now = timezone.now()
    Job.objects.create(cooperative=CooperativeFactory(), kind="plan", arguments={}, requested_at=now - HOUR)
    assert finding("long work", now=now).state == State.LOOK
    Job.objects.update(requested_at=now)
    assert finding("long work", now=now).text == "1 in hand"


def test_a_mail_server_is_asked(folder: Path, settings: Settings) -> None:
    settings.EMAIL_URL, settings.EMAIL_USE_TLS = "127.0.0.1", False
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST_USER = ""
    settings.EMAIL_HOST = "127.0.0.1"
    with Sink() as sink:
        settings.EMAIL_PORT = sink.port
        assert finding("mail").state == State.WELL
        assert sink.taken == []
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        settings.EMAIL_PORT = nobody.getsockname()[1]
    assert finding("mail").state == State.WRONG


def test_without_a_broker_the_served_mode_is_wrong(folder: Path, settings: Settings) -> None:
    settings.SERVED = True
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        settings.REDIS_URL = f"redis://127.0.0.1:{nobody.getsockname()[1]}/0"
    one = found(services.look_at_broker, timezone.now())
    assert one.text.startswith("could not be looked at: ConnectionError")
    assert one.state == State.WRONG


@pytest.mark.redis
def test_a_broker_that_may_drop_entries_is_wrong(
    folder: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.SERVED = True
    assert services.look_at_broker(timezone.now()).state == State.WELL
    monkeypatch.setattr("redis.Redis.config_get", lambda *_: {"maxmemory-policy": "allkeys-lru"})
    assert "may drop entries" in services.look_at_broker(timezone.now()).text


def test_a_queue_without_a_worker_is_named(folder: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.SERVED = True
    answers = {"one@here": [{"name": "celery"}, {"name": "mail"}], "two@there": [{"name": "planning"}]}
    asked = type("Asked", (), {"active_queues": lambda self: answers})
    monkeypatch.setattr(app.control, "inspect", lambda **_: asked())
    assert services.look_at_workers(timezone.now()).text == "none for evaluation"


def test_the_command_says_it_in_lines_or_json_and_by_its_exit_code(folder: Path) -> None:
    out = io.StringIO()
    call_command("doctor", stdout=out)
    assert "→ manage.py push_keys makes it." in out.getvalue()
    Heartbeat.objects.all().delete()
    out = io.StringIO()
    with pytest.raises(SystemExit, match="1"):
        call_command("doctor", "--json", stdout=out)
    assert [one["name"] for one in json.loads(out.getvalue()) if one["state"] == "wrong"] == ["sweep"]
