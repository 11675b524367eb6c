"""A mail backend that keeps each message in the database."""

from collections.abc import Sequence

from django.core.mail.backends.base import BaseEmailBackend
from django.core.mail.message import EmailMessage, EmailMultiAlternatives

from accounts.models import KeptMail


class KeptMailBackend(BaseEmailBackend):
    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        rows = [self._row(message, to) for message in email_messages for to in message.recipients()]
        KeptMail.objects.bulk_create(rows)
        return len(email_messages)

    @staticmethod
    def _row(message: EmailMessage, to: str) -> KeptMail:
        html = ""
        if isinstance(message, EmailMultiAlternatives):
            html = next((str(part[0]) for part in message.alternatives if part[1] == "text/html"), "")
        return KeptMail(
            to=to,
            subject=message.subject[:250],
            text=str(message.body),
            html=html,
            message_id=str(message.extra_headers.get("Message-ID", ""))[:200],
        )
