"""E-mail: one connection a tick, one message a row, under a Message-ID that stays the same at every try."""

import smtplib
from collections.abc import Iterable, Sequence

from django.core.mail import get_connection
from django.utils import timezone

from accounts.models import Person
from scheduling.models import Delivery
from scheduling.services.channels.base import InDoubt, Refused
from scheduling.services.channels.message import mail_of

NO_SUCH_ADDRESS = range(550, 560)


class MailProvider:
    """Hands mails to the configured backend."""

    batch = 1  # SMTP cannot take a repeat back, so each message is settled before the next

    def __init__(self) -> None:
        self._connection = get_connection()
        self._is_open = False
        self._away: Exception | None = None

    def send(self, deliveries: Sequence[Delivery]) -> list[Exception | None]:
        return [self._one(delivery) for delivery in deliveries]

    def close(self) -> None:
        if self._is_open:
            self._is_open = False
            self._connection.close()

    def _open(self) -> None:
        if not self._is_open:
            self._connection.open()
            self._is_open = True

    def _one(self, delivery: Delivery) -> Exception | None:
        if self._away is not None:
            return self._away  # whoever does not answer one call is not asked for each row of the tick
        try:
            message = mail_of(delivery, now=timezone.now())
        except Exception as error:  # this one cannot be written
            return error
        try:
            self._open()
        except Exception as error:  # nothing was said yet: whatever it is, this one was not taken
            self._away = error
            return error
        message.connection = self._connection
        try:
            message.send()
        except smtplib.SMTPRecipientsRefused as error:
            codes = [code for code, _text in error.recipients.values()]
            return Refused(str(error)) if all(code in NO_SUCH_ADDRESS for code in codes) else error
        except smtplib.SMTPResponseException as error:
            return error  # an answer was given, and it was no
        except (smtplib.SMTPException, OSError) as error:
            self.close()
            return InDoubt(f"{type(error).__name__}: {error}")
        except Exception as error:
            return error
        return None


def with_address(people: Iterable[Person], _cooperative_id: int) -> set[int]:
    return {person.pk for person in people if person.email}
