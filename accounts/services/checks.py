"""Refusals that several services of this app make."""

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Member, Person
from accounts.refusals import Refusal


def checked_name(name: str, *, field: str = "name", longest: int = 120) -> str:
    name = " ".join(name.split())
    if not name:
        raise Refusal(_("Enter a name."), field=field, rule="name_missing")
    if len(name) > longest:
        raise Refusal(
            _("The name is too long. Use %(n)d characters or fewer.") % {"n": longest}, field=field, rule="too_long"
        )
    return name


def checked_zone(zone: str, *, may_be_empty: bool = True, field: str = "time_zone") -> str:
    if (zone or not may_be_empty) and zone not in available_timezones():
        raise Refusal(
            _("There is no time zone “%(zone)s”. Choose one from the list.") % {"zone": zone},
            field=field,
            rule="zone_unknown",
        )
    return zone


def checked_language(code: str, *, field: str = "language") -> str:
    if code not in dict(settings.LANGUAGES):
        raise Refusal(_("Choose one of the languages in the list."), field=field, rule="language_unknown")
    return code


def checked_email(email: str, *, field: str = "email") -> str:
    email = Person.objects.normalize_email(email.strip())
    try:
        validate_email(email)
    except ValidationError:
        raise Refusal(
            _("Enter an e-mail address, for example ada@example.org."), field=field, rule="email_form"
        ) from None
    return email


def check_password_strength(password: str, person: Person, *, field: str) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise Refusal(" ".join(error.messages), field=field, rule="password_weak") from None


def local_day(now: dt.datetime, cooperative: Cooperative) -> dt.date:
    return now.astimezone(ZoneInfo(cooperative.time_zone)).date()


def check_not_later(day: dt.date, cooperative: Cooperative, *, now: dt.datetime, field: str) -> None:
    if day > local_day(now, cooperative):
        raise Refusal(_("This day is still to come. Enter today or an earlier day."), field=field, rule="not_later")


def check_still_here(member: Member) -> None:
    if member.left_on is not None:
        raise Refusal(
            _("%(member)s has left the cooperative.") % {"member": member}, field="member", rule="member_left"
        )


def changed(thing: Any, values: dict[str, Any]) -> dict[str, Any]:
    """Those of the values that differ from what the thing has."""
    return {name: value for name, value in values.items() if getattr(thing, name) != value}
