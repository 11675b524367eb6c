"""The words of one telling by e-mail: the same however often it is tried, true whenever it is read."""

import datetime as dt
from typing import Any

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.languages import speaking_to
from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.planning.timing.clock import ClockChange, local_day, next_clock_change, zone_of
from scheduling.queries.summary import summary_lines
from scheduling.queries.tellings import zone_of_person, zone_of_reminder
from scheduling.reminder_kinds import KINDS, SUMMARY
from scheduling.services.one_tap import PUT_OFF_HOURS, Act, acts_of, tap_url
from scheduling.services.telling_key import telling_key

MINUTES_PER_HOUR = 60
HOST = "broodtide"
PASSED_ON = {"deputy", "coordinator", "again1", "again2"}


def mail_of(delivery: Delivery, *, now: dt.datetime) -> EmailMultiAlternatives:
    """Write the message of one telling. Its Message-ID and its links stay the same however often it is tried."""
    with speaking_to(delivery.person, delivery.reminder.cooperative):
        return _written(delivery, now=now)


def _written(delivery: Delivery, *, now: dt.datetime) -> EmailMultiAlternatives:
    reminder = delivery.reminder
    context = mail_words(delivery, now=now)
    root = f"<about-{reminder.subject_type}-{reminder.subject_id}@{HOST}>"
    headers = {"Message-ID": message_id(delivery), "In-Reply-To": root, "References": root}
    if not KINDS[reminder.kind].critical:
        stop_url = context["stop_url"] = tap_url(delivery, Act.STOP)
        headers["List-Unsubscribe"] = f"<{stop_url}>"
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message = EmailMultiAlternatives(
        subject=_one_line(str(reminder.title)),
        body=render_to_string("mail/reminder.txt", context),
        to=[delivery.person.email],
        headers=headers,
    )
    message.attach_alternative(render_to_string("mail/reminder.html", context), "text/html")
    return message


def message_id(delivery: Delivery) -> str:
    return f"<{telling_key(delivery)}@{HOST}>"


def mail_words(delivery: Delivery, *, now: dt.datetime) -> dict[str, Any]:
    """What the templates say, in whole sentences."""
    reminder, zone = delivery.reminder, zone_of_telling(delivery)
    return {
        "reminder": reminder,
        "when": when_words(reminder, zone),
        "lines": summary_lines(delivery, now=now) if reminder.kind == SUMMARY else [],
        "late": _("This message is late: its moment has passed.") if delivery.is_late else "",
        "passed_on": _passed_on(delivery),
        "clocks": clock_words(next_clock_change(now, reminder.due_at, zone), now=now),
        "replaces": _replaces(reminder, zone),
        "link": settings.SITE_URL.rstrip("/") + reminder.link if reminder.link else "",
        "taps": [(_tap_label(act, reminder), tap_url(delivery, act)) for act in acts_of(reminder)],
        "repeat": _("You may see this message twice; doing it once is enough.")
        if KINDS[reminder.kind].critical
        else "",
    }


def zone_of_telling(delivery: Delivery) -> str:
    """Days belong to the place where the bees stand, moments to the reader."""
    reminder = delivery.reminder
    if reminder.wall_date is not None:
        return zone_of_reminder(reminder)
    return zone_of_person(delivery.person, reminder.cooperative)


def when_words(reminder: Reminder, zone: str) -> str:
    """When it is due, with its zone: true for whoever reads it, wherever and whenever."""
    if KINDS[reminder.kind].is_news:
        return ""
    last = local_day(reminder.useful_until, zone)
    if reminder.wall_date is None:
        return _("Due %(moment)s.") % {"moment": moment_and_zone_words(reminder.due_at, zone)}
    if last <= reminder.wall_date:
        return _("Due on %(day)s (%(zone)s).") % {"day": _day(reminder.wall_date), "zone": zone}
    return _("Due on %(day)s, on %(last)s at the latest (%(zone)s).") % {
        "day": _day(reminder.wall_date),
        "last": _day(last),
        "zone": zone,
    }


def moment_and_zone_words(moment: dt.datetime, zone: str) -> str:
    """“Tue 9 June 2026, 14:00, Europe/Berlin (UTC+2)”."""
    local = moment.astimezone(zone_of(zone))
    return f"{_day(local.date())}, {local:%H:%M}, {zone} ({_offset_words(local)})"


def clock_words(change: ClockChange | None, *, now: dt.datetime) -> str:
    """That the clocks change before it is due; the time in the message is by the new hands."""
    if change is None:
        return ""
    day = _("tonight") if change.is_tonight(now) else _("on %(day)s") % {"day": _day(change.reads.date())}
    back = _("The clocks change %(day)s: at %(time)s they go back %(by)s. The time above is by the new clock.")
    forward = _("The clocks change %(day)s: at %(time)s they go forward %(by)s. The time above is by the new clock.")
    words = forward if change.minutes > 0 else back
    return words % {"day": day, "time": f"{change.reads:%H:%M}", "by": _span_words(abs(change.minutes))}


def _replaces(reminder: Reminder, zone: str) -> str:
    """Only where somebody really has the earlier message; what was put off is the same thing, told again."""
    old: Reminder | None = getattr(reminder, "replaces", None)
    if old is None or old.told_at is None:
        return ""
    if old.state == ReminderState.PUT_OFF:
        return _("You asked to be told again.")
    earlier = _day(old.wall_date) if old.wall_date is not None else moment_and_zone_words(old.due_at, zone)
    return _("This replaces the message that said %(earlier)s. Go by this one.") % {"earlier": earlier}


def _passed_on(delivery: Delivery) -> str:
    """Why somebody hears of what is another's to do."""
    reminder = delivery.reminder
    if delivery.rung not in PASSED_ON or reminder.member is None:
        return ""
    if reminder.member.persons.filter(pk=delivery.person_id).exists():
        return ""
    return _(
        "You are told because nobody of %(member)s has said that they are on it. Please ring them, or see to it."
    ) % {"member": reminder.member}


def _tap_label(act: Act, reminder: Reminder) -> str:
    if act == Act.PUT_OFF:
        return ngettext("Put off %(n)d hour", "Put off %(n)d hours", PUT_OFF_HOURS) % {"n": PUT_OFF_HOURS}
    if act == Act.SEEN:
        return _("Seen, I am on it")
    return _("Seen") if KINDS[reminder.kind].is_news else _("Done")


def _day(day: dt.date) -> str:
    return date_format(day, "DATE_FORMAT")


def _offset_words(local: dt.datetime) -> str:
    minutes = int((local.utcoffset() or dt.timedelta()).total_seconds() // MINUTES_PER_HOUR)
    hours, rest = divmod(abs(minutes), MINUTES_PER_HOUR)
    sign = "−" if minutes < 0 else "+"
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def _span_words(minutes: int) -> str:
    if minutes % MINUTES_PER_HOUR == 0:
        hours = minutes // MINUTES_PER_HOUR
        return ngettext("%(n)d hour", "%(n)d hours", hours) % {"n": hours}
    return ngettext("%(n)d minute", "%(n)d minutes", minutes) % {"n": minutes}


def _one_line(text: str) -> str:
    """A name with a line break in it must not break the header."""
    return " ".join(text.split())
