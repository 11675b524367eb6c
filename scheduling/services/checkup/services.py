"""What other programs do for us: database, broker, workers, mail server, keys for devices."""

import datetime as dt
import time

from django.conf import settings
from django.core.mail import get_connection
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from redis import Redis

from accounts.push import is_set_up, public_key
from config.celery import app as celery_app
from scheduling.services.checkup.finding import Finding, look_at, well, wrong

TIMEOUT_SECONDS = 5
QUEUES = ("celery", "mail", "planning", "evaluation")
LONG_QUEUE = 1_000


def look_at_database(now: dt.datetime) -> Finding:
    began = time.perf_counter()
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA quick_check" if connection.vendor == "sqlite" else "SHOW server_version")
        answer = cursor.fetchone()[0]
    took = (time.perf_counter() - began) * 1000
    if connection.vendor == "sqlite" and answer != "ok":
        return wrong("database", f"the file is damaged: {answer}", "Stop, and put back a copy: manage.py restore.")
    what = "SQLite, its file is whole" if connection.vendor == "sqlite" else f"PostgreSQL {answer}"
    return well("database", f"{what}, answered in {took:.0f} ms")


def look_at_migrations(now: dt.datetime) -> Finding:
    executor = MigrationExecutor(connection)
    missing = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if missing:
        return wrong("migrations", f"{len(missing)} are not applied", "manage.py backup, then manage.py migrate.")
    return well("migrations", "all applied")


def look_at_broker(now: dt.datetime) -> Finding:
    if not settings.SERVED:
        return well("broker", "none is needed")
    with _broker() as broker:
        broker.ping()
        policy = dict(broker.config_get("maxmemory-policy")).get("maxmemory-policy", "not said")
        waiting = {name: int(broker.llen(name)) for name in QUEUES}
    text = ", ".join(f"{count} in {name}" for name, count in waiting.items())
    if policy not in ("noeviction", "not said"):
        return wrong("broker", f"Redis may drop entries ({policy})", "Set maxmemory-policy noeviction.")
    if max(waiting.values()) > LONG_QUEUE:
        return look_at("broker", text, "Work piles up: look at the workers of that queue, or start more.")
    return well("broker", text)


def look_at_workers(now: dt.datetime) -> Finding:
    if not settings.SERVED:
        return well("workers", "they run beside the pages")
    answers = celery_app.control.inspect(timeout=TIMEOUT_SECONDS).active_queues() or {}
    manned = {queue["name"] for queues in answers.values() for queue in queues}
    unmanned = [name for name in QUEUES if name not in manned]
    if unmanned:
        return wrong("workers", f"none for {', '.join(unmanned)}", "Start them: docs/operations.md names the commands.")
    return well("workers", f"{len(answers)}, every queue has one")


def look_at_mail(now: dt.datetime) -> Finding:
    if not settings.EMAIL_URL:
        return look_at("mail", "kept in the app, none is sent", "Set BROODTIDE_SMTP_HOST to send them.")
    where = f"{settings.EMAIL_HOST}:{settings.EMAIL_PORT}"
    server = get_connection(timeout=TIMEOUT_SECONDS)
    try:
        server.open()
    except Exception as error:  # refused, unknown, no certificate, wrong password: the words say which
        return wrong("mail", f"{where} does not take us: {error}", "Look at BROODTIDE_SMTP_… and at the mail server.")
    server.close()
    return well("mail", f"{where} takes our mail")


def look_at_devices(now: dt.datetime) -> Finding:
    if not is_set_up():
        return look_at("devices", "there is no key for messages to devices", "manage.py push_keys makes it.")
    return well("devices", f"key {public_key()[:12]}…")


def _broker() -> Redis:
    limits = {"socket_timeout": TIMEOUT_SECONDS, "socket_connect_timeout": TIMEOUT_SECONDS}
    return Redis.from_url(settings.REDIS_URL, decode_responses=True, **limits)


SERVICES = (look_at_database, look_at_migrations, look_at_broker, look_at_workers, look_at_mail, look_at_devices)
