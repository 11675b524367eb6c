"""The machine: settings, disk, files, clock, time zones."""

import datetime as dt
import shutil
import zoneinfo
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from django.conf import settings
from django.core.checks import WARNING, run_checks
from django.utils import timezone

from accounts.models import Apiary, Cooperative
from scheduling.services.checkup.finding import Finding, look_at, well, wrong
from scheduling.services.delivery import database_now

LOW_BYTES, FULL_BYTES = 1_000_000_000, 200_000_000
CLOCK_LOOK_SECONDS, CLOCK_WRONG_SECONDS = 5.0, 30.0
COPY_MAX_AGE = dt.timedelta(hours=48)
KNOWN_FILES = {
    *{"broodtide.sqlite3", "broodtide.sqlite3-wal", "broodtide.sqlite3-shm"},
    *{"secret_key", "push_key", "backups"},
}


def look_at_settings(now: dt.datetime) -> Finding:
    name = "settings"
    said = [message for message in run_checks(include_deployment_checks=settings.SERVED) if message.level >= WARNING]
    if said:
        return wrong(name, "; ".join(str(message) for message in said), "See docs/operations.md, Settings.")
    if settings.SERVED and "//127." in settings.SITE_URL:
        text = f"mails lead to {settings.SITE_URL}, which is this machine for whoever reads them"
        return wrong(name, text, "Set BROODTIDE_SITE_URL to the address of the site.")
    return well(name, "served" if settings.SERVED else "embedded")


def look_at_disk(now: dt.datetime) -> Finding:
    folder = _there(Path(settings.DATA_DIR))
    free = shutil.disk_usage(folder).free
    text = f"{free / 1e9:.1f} GB free where {folder} is"
    if free < FULL_BYTES:
        return wrong("disk", text, "Make room now: a full disk stops every write.")
    if free < LOW_BYTES:
        return look_at("disk", text, "Make room, or move the data folder to a larger disk.")
    return well("disk", text)


def look_at_files(now: dt.datetime) -> Finding:
    folder = Path(settings.DATA_DIR)
    if settings.SERVED or not folder.is_dir():
        return well("files", "none are kept outside the database")
    strange = sorted(path.name for path in folder.iterdir() if path.name not in KNOWN_FILES)
    strange += sorted(f"backups/{path.name}" for path in folder.glob("backups/.*.half"))
    if strange:
        return look_at("files", f"nobody knows {', '.join(strange)} in {folder}", "Left behind? Then remove them.")
    return well("files", f"{folder} holds what belongs there")


def look_at_copies(now: dt.datetime) -> Finding:
    folder = Path(settings.DATA_DIR) / "backups"
    if settings.SERVED and not folder.is_dir():
        return well("copies", "not kept on this machine")
    newest = max((path.stat().st_mtime for path in folder.glob("broodtide-*")), default=None)
    if newest is None:
        return look_at("copies", f"there is none in {folder}", "Run manage.py backup every night, to another disk too.")
    age = now - dt.datetime.fromtimestamp(newest, dt.UTC)
    text = f"the newest is {age.total_seconds() / 3600:.0f} h old"
    return look_at("copies", text, "Run manage.py backup every night.") if age > COPY_MAX_AGE else well("copies", text)


def look_at_clock(now: dt.datetime) -> Finding:
    ahead = (timezone.now() - database_now()).total_seconds()
    text = f"{abs(ahead):.1f} s {'ahead of' if ahead > 0 else 'behind'} the database's"
    to_do = "Let both machines take their time from a time server."
    if abs(ahead) > CLOCK_WRONG_SECONDS:
        return wrong("clock", text, to_do)
    return look_at("clock", text, to_do) if abs(ahead) > CLOCK_LOOK_SECONDS else well("clock", text)


def look_at_time_zones(now: dt.datetime) -> Finding:
    name = "time zones"
    used = {zone for model in (Cooperative, Apiary) for zone in model.objects.values_list("time_zone", flat=True)}
    missing = sorted(zone for zone in used - {""} if zone not in zoneinfo.available_timezones())
    if missing:
        text = f"no data for {', '.join(missing)}"
        return wrong(name, text, "Update the package tzdata: their reminders cannot be worked out.")
    try:
        text = f"data of {version('tzdata')}"
    except PackageNotFoundError:
        text = "data of the system"
    return well(name, text)


def _there(folder: Path) -> Path:
    """The folder, or the nearest above it that exists."""
    return next(path for path in (folder, *folder.absolute().parents) if path.exists())


MACHINE = (look_at_settings, look_at_disk, look_at_files, look_at_copies, look_at_clock, look_at_time_zones)
