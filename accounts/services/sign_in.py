"""Who is this? By e-mail address or user name and password, slowed down before any password is worked out."""

import datetime as dt
import threading
from collections.abc import Mapping

from django.contrib.auth import authenticate
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.slowdown import Bucket, slowdown_forget, slowdown_give_back, slowdown_take

# Each password worked out takes about 100 MB for about half a second: never more than two at once in one process.
_HASHING = threading.BoundedSemaphore(2)

FREE_PER_ACCOUNT = 5
FREE_PER_ADDRESS = 20
FREE_PER_DEVICE = 10


def sign_in_try(given: str, *, password: str, devices: Mapping[int, str], address: str, now: dt.datetime) -> Person:
    """The person, or a refusal that does not tell which of the two was wrong.

    devices: marks of the persons who signed in on this device before, by their id. Such a device waits for its own
    tries alone; everybody else's share one bucket per account and one per network address. The account is that of the
    person, however they are called, or what was typed where nobody goes by it: waits do not tell which.
    """
    given = given.strip()
    called = Q(email__iexact=given) | Q(user_name__iexact=given, user_name__gt="")
    known = Person.objects.filter(called).values_list("pk", flat=True).first()
    mark = devices.get(known) if known is not None else None
    if mark is not None:
        own, shared = Bucket("device", f"{known}/{mark}", FREE_PER_DEVICE), None
    else:
        kind, whose = ("name", given) if known is None else ("account", str(known))
        own, shared = Bucket(kind, whose, FREE_PER_ACCOUNT), Bucket("address", address, FREE_PER_ADDRESS)
    if seconds := slowdown_take([own] if shared is None else [own, shared], now=now):
        raise Refusal(_too_many(seconds), rule="slowed_down")
    with _HASHING:
        person = authenticate(None, username=given, password=password)
    if not isinstance(person, Person):
        raise Refusal(
            _("This name and this password do not go together. Look at both; capitals count in the password."),
            rule="sign_in_wrong",
        )
    slowdown_forget(own)
    if shared is not None:
        slowdown_give_back(shared, now=now)
    return person


def _too_many(seconds: int) -> str:
    if seconds <= 90:
        wait = ngettext("%(n)d second", "%(n)d seconds", seconds) % {"n": seconds}
    else:
        minutes = -(-seconds // 60)
        wait = ngettext("%(n)d minute", "%(n)d minutes", minutes) % {"n": minutes}
    return _(
        "There were many tries, so the next one has to wait %(wait)s. "
        "If you do not know your password, have a link sent: it works at once."
    ) % {"wait": wait}
