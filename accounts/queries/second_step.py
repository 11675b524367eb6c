"""Who has which second step, and who needs one."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from allauth.mfa.app_settings import RECOVERY_CODE_COUNT
from allauth.mfa.models import Authenticator
from django.conf import settings

from accounts.models import Person, Role

TOTP, PASSKEY, CODES = Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN, Authenticator.Type.RECOVERY_CODES


@dataclass(frozen=True)
class SecondStep:
    """What somebody has set up. `app` makes one-time codes; `codes_left` is None where there are no recovery codes."""

    app: Any
    passkeys: list[Any]
    codes_left: int | None

    @property
    def is_set_up(self) -> bool:
        return self.app is not None or bool(self.passkeys)


def second_step_of(person: Person) -> SecondStep:
    rows = list(Authenticator.objects.filter(user=person).order_by("pk"))
    by_kind = {kind: [row for row in rows if row.type == kind] for kind in (TOTP, PASSKEY, CODES)}
    codes = by_kind[CODES][0] if by_kind[CODES] else None
    return SecondStep(
        app=by_kind[TOTP][0] if by_kind[TOTP] else None,
        passkeys=by_kind[PASSKEY],
        codes_left=RECOVERY_CODE_COUNT - codes.data["used_mask"].bit_count() if codes else None,
    )


def has_second_step(person: Person) -> bool:
    return bool(Authenticator.objects.filter(user=person, type__in=[TOTP, PASSKEY]).exists())


def needs_second_step(person: Person) -> bool:
    """Coordinators and who looks after the installation; in a practice cooperative nobody, as everybody is made up."""
    grants = person.role_grants.filter(role=Role.COORDINATOR, cooperative__is_practice=False)
    return person.is_staff or grants.exists()


def second_step_due(person: Person) -> dt.datetime | None:
    """Until when somebody who was told that they need one may do without."""
    asked = person.second_step_asked_at
    return None if asked is None else asked + dt.timedelta(days=settings.SECOND_STEP_GRACE_DAYS)


def is_second_step_missing(person: Person, *, now: dt.datetime) -> bool:
    """The time to set one up is over, it is still needed, and there is none."""
    due = second_step_due(person)
    return due is not None and due <= now and needs_second_step(person) and not has_second_step(person)
