"""The second step at sign-in: set up, checked, removed by its owner, reset by somebody who looks after them.

allauth works the codes out and FIDO2 checks the passkeys; tries are slowed down here, before anything is compared,
and each change leaves its row in the history and tells the owner by mail.
"""

import datetime as dt
import logging
from collections.abc import Callable, Mapping
from typing import Any

from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal import auth as one_time
from allauth.mfa.utils import decrypt
from allauth.mfa.webauthn.internal import auth as webauthn
from cryptography.fernet import InvalidToken
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext as _

from accounts.languages import speaking_to
from accounts.models import Cooperative, Person
from accounts.queries.second_step import CODES, PASSKEY, TOTP, has_second_step, needs_second_step
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import checked_name
from accounts.services.mails import mail_send
from accounts.services.people import belongs_elsewhere
from accounts.services.slowdown import Bucket, slowdown_forget, slowdown_take

log = logging.getLogger(__name__)

PERIOD_SECONDS = 30  # RFC 6238
FREE_CODES = 5
FREE_PASSKEYS = 20
MOST_PASSKEYS = 10


def second_step_ask(person: Person, *, now: dt.datetime) -> None:
    """Note when somebody who needs a second step was first told, at a sign-in: from then on their days count."""
    if person.second_step_asked_at is None and needs_second_step(person) and not has_second_step(person):
        Person.objects.filter(pk=person.pk, second_step_asked_at=None).update(second_step_asked_at=now)
        person.second_step_asked_at = now


def app_add(person: Person, *, secret: str, code: str, cooperative: Cooperative | None, now: dt.datetime) -> list[str]:
    """An app that makes one-time codes, proven by one of them. Returns recovery codes where these are the first."""
    counter = _counter_of(secret, code, now=now)
    if counter is None:
        raise _wrong_code()
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        if Authenticator.objects.filter(user=person, type=TOTP).exists():
            raise Refusal(_("An app is set up already. Remove it first."), rule="app_there")
        row = one_time.TOTP.activate(person, secret).instance
        row.data["last_counter"] = counter
        row.save(update_fields=["data"])
        _record(person, "second_step.app_add", by=person, now=now, cooperative=cooperative)
        return _first_codes(person)


def passkey_add(
    person: Person, *, name: str, credential: Any, cooperative: Cooperative | None, now: dt.datetime
) -> list[str]:
    """A passkey made for the challenge of this session. Returns recovery codes where these are the first."""
    name = checked_name(name, longest=60)
    _checked(lambda: webauthn.parse_registration_response(credential))
    proof = _checked(lambda: webauthn.complete_registration(credential))
    if not proof.is_user_verified():
        raise Refusal(_("The device did not ask for its PIN, face or finger. Try another one."), rule="not_verified")
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        if Authenticator.objects.filter(user=person, type=PASSKEY).count() >= MOST_PASSKEYS:
            raise Refusal(
                _("You have %(n)d passkeys already. Remove one first.") % {"n": MOST_PASSKEYS}, rule="passkeys"
            )
        webauthn.WebAuthn.add(person, name, credential)
        _record(person, "second_step.passkey_add", by=person, now=now, cooperative=cooperative, after={"name": name})
        return _first_codes(person)


def second_step_remove(person: Person, *, pk: int, cooperative: Cooperative | None, now: dt.datetime) -> None:
    """Remove an app or a passkey; with the last one the recovery codes go too. Removing twice is once."""
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        row = Authenticator.objects.filter(user=person, pk=pk, type__in=[TOTP, PASSKEY]).first()
        if row is None:
            return
        action = "second_step.app_remove" if row.type == TOTP else "second_step.passkey_remove"
        row.delete()
        if not has_second_step(person):
            Authenticator.objects.filter(user=person).delete()
        _record(person, action, by=person, now=now, cooperative=cooperative)


def codes_make(person: Person, *, cooperative: Cooperative | None, now: dt.datetime) -> list[str]:
    """New recovery codes; the earlier ones work no more."""
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        if not has_second_step(person):
            raise Refusal(_("Set up an app or a passkey first."), rule="no_second_step")
        Authenticator.objects.filter(user=person, type=CODES).delete()
        _record(person, "second_step.codes", by=person, now=now, cooperative=cooperative)
        return _first_codes(person)


def code_check(person: Person, code: str, *, devices: Mapping[int, str], now: dt.datetime) -> None:
    """A one-time code or a recovery code, each good for once; refused otherwise. Guesses are slowed down first."""
    bucket = _take(person, devices=devices, now=now)
    with transaction.atomic():
        rows = Authenticator.objects.select_for_update().filter(user=person, type__in=[TOTP, CODES]).order_by("pk")
        good = any(_uses(row, code, now=now) for row in rows)
    if not good:
        raise _wrong_code()
    slowdown_forget(bucket)


def passkey_check(person: Person, credential: Any, *, devices: Mapping[int, str], now: dt.datetime) -> None:
    """A passkey of this person's as the second step."""
    bucket = _take(person, devices=devices, now=now)
    _passkey_proven(person, credential, now=now)
    slowdown_forget(bucket)


def passkey_sign_in(credential: Any, *, address: str, now: dt.datetime) -> Person:
    """The person whose passkey it is. It is both steps in one: the device asked for its PIN, face or finger.

    Slowed down by network address alone: whose passkey it claims to be, a stranger could choose.
    """
    bucket = Bucket("passkey-address", address, FREE_PASSKEYS)
    if seconds := slowdown_take([bucket], now=now):
        raise _too_many(seconds)
    _checked(lambda: webauthn.parse_authentication_response(credential))
    person = _checked(lambda: webauthn.extract_user_from_response(credential))
    if not isinstance(person, Person) or not person.is_active:
        raise _wrong_passkey()
    _passkey_proven(person, credential, now=now)
    slowdown_forget(bucket)
    return person


def second_step_reset(person: Person, *, cooperative: Cooperative, by: Person, now: dt.datetime) -> bool:
    """The coordinator takes it off somebody who lost the device and the recovery codes. They are told by mail."""
    if by == person:
        raise Refusal(_("Remove your own under You, where your password is asked for."), rule="reset_self")
    if person.is_staff or person.is_superuser or belongs_elsewhere(person, cooperative):
        raise Refusal(
            _("%(person)s is known beyond this cooperative: whoever looks after the installation does this.")
            % {"person": person.name},
            rule="reset_not_yours",
        )
    return second_step_take_off(person, cooperative=cooperative, by=by, now=now)


def second_step_take_off(
    person: Person, *, cooperative: Cooperative | None, by: Person | None, now: dt.datetime
) -> bool:
    """All of it, recovery codes too; who needs one has their days again. False when there was none."""
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        removed, _rows = Authenticator.objects.filter(user=person).delete()
        if not removed:
            return False
        person.second_step_asked_at = None
        person.save(update_fields=["second_step_asked_at"])
        _record(person, "second_step.reset", by=by, now=now, cooperative=cooperative)
    return True


def _take(person: Person, *, devices: Mapping[int, str], now: dt.datetime) -> Bucket:
    """As at the first step: a known device waits for its own tries alone."""
    mark = devices.get(person.pk)
    bucket = Bucket("code", f"{person.pk}/{mark}" if mark else str(person.pk), FREE_CODES)
    if seconds := slowdown_take([bucket], now=now):
        raise _too_many(seconds)
    return bucket


def _uses(row: Any, code: str, *, now: dt.datetime) -> bool:
    try:
        good = row.wrap().validate_code(code) if row.type == CODES else _uses_one_time(row, code, now=now)
    except InvalidToken:
        log.error("a second step cannot be read: the installation's key is not the one it was made with")
        return False
    if good:
        Authenticator.objects.filter(pk=row.pk).update(last_used_at=now)
    return bool(good)


def _uses_one_time(row: Any, code: str, *, now: dt.datetime) -> bool:
    """The step that a code belongs to must be later than the last one used (RFC 6238, 5.2), in whichever process."""
    counter = _counter_of(decrypt(row.data["secret"]), code, now=now)
    if counter is None or counter <= row.data.get("last_counter", 0):
        return False
    row.data["last_counter"] = counter
    row.save(update_fields=["data"])
    return True


def _counter_of(secret: str, code: str, *, now: dt.datetime) -> int | None:
    """The 30 seconds that a code belongs to: these, or those just before or after, for clocks that differ a little."""
    digits = "".join(code.split())
    present = int(now.timestamp()) // PERIOD_SECONDS
    for counter in (present, present - 1, present + 1):
        if constant_time_compare(digits, one_time.format_hotp_value(one_time.hotp_value(secret, counter))):
            return counter
    return None


def _passkey_proven(person: Person, credential: Any, *, now: dt.datetime) -> None:
    _checked(lambda: webauthn.parse_authentication_response(credential))
    row = _checked(lambda: webauthn.complete_authentication(person, credential))
    Authenticator.objects.filter(pk=row.pk).update(last_used_at=now)


def _first_codes(person: Person) -> list[str]:
    """Recovery codes in two halves, to be written down; none when there are some already."""
    if Authenticator.objects.filter(user=person, type=CODES).exists():
        return []
    return [f"{code[:6]} {code[6:]}" for code in RecoveryCodes.activate(person).generate_codes()]


def _checked(step: Callable[[], Any]) -> Any:
    """allauth says no to a passkey by a form's error; what a browser sends may also be shaped in other ways."""
    try:
        return step()
    except (ValidationError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise _wrong_passkey() from error


def _record(
    person: Person,
    action: str,
    *,
    by: Person | None,
    now: dt.datetime,
    cooperative: Cooperative | None,
    after: dict[str, Any] | None = None,
) -> None:
    audit_record(person, action=action, by=by, now=now, cooperative=cooperative, after=after)
    with speaking_to(person, cooperative):
        mail_send(
            "second_step_changed",
            to=person.email,
            subject=_("Your sign-in at Broodtide was changed"),
            context={"person": person},
        )


def _wrong_code() -> Refusal:
    return Refusal(
        _("This code is not right, or was used already. Wait for the next one, and look at the clock of the device."),
        field="code",
        rule="code_wrong",
    )


def _wrong_passkey() -> Refusal:
    return Refusal(_("This passkey is not known here, or the page was open too long. Try again."), rule="passkey_wrong")


def _too_many(seconds: int) -> Refusal:
    return Refusal(_("Too many tries. Try again in %(n)d seconds.") % {"n": seconds}, field="code", rule="slowed_down")
