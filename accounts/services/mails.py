"""Mails about one's own sign-in. What is due is told by the reminders, not from here."""

import logging
from smtplib import SMTPException
from typing import Any

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse

log = logging.getLogger(__name__)


def mail_send(name: str, *, to: str, subject: str, context: dict[str, Any]) -> None:
    """Send `accounts/mail/<name>.txt` once the transaction is kept. A relay that is away undoes nothing."""
    addresses = {"site": site_address(), "ask": site_address("accounts:password_reset")}
    text = render_to_string(f"accounts/mail/{name}.txt", {**context, **addresses})
    transaction.on_commit(lambda: _send(subject, text, to))


def site_address(url_name: str = "today", *args: object) -> str:
    return settings.SITE_URL.rstrip("/") + reverse(url_name, args=args)


def _send(subject: str, text: str, to: str) -> None:
    try:
        send_mail(" ".join(subject.split()), text, None, [to])
    except (SMTPException, OSError):
        log.exception("a mail about signing in could not be sent")
