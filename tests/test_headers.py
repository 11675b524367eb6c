"""What every answer tells the browser, and what the served set-up refuses to start without."""

import os
import subprocess
import sys

import pytest
from django.test import Client

from tests.processes import ROOT

SHOWN = """
import django; django.setup()
from django.conf import settings as s
print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME)
print(s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SESSION_COOKIE_HTTPONLY)
print(s.SECURE_SSL_REDIRECT, s.SECURE_HSTS_SECONDS, s.SECURE_CONTENT_TYPE_NOSNIFF, s.X_FRAME_OPTIONS, s.DEBUG)
"""


def served(**more: str) -> "subprocess.CompletedProcess[str]":
    """Settings as a served installation reads them, in a process of its own."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("BROODTIDE_")}
    given = {
        "BROODTIDE_MODE": "served",
        "BROODTIDE_DATABASE_URL": "postgres://nobody@127.0.0.1:1/none",
        "BROODTIDE_HOSTS": "bees.example.org",
        "DJANGO_SETTINGS_MODULE": "config.settings",
    }
    command = [sys.executable, "-c", SHOWN]
    return subprocess.run(command, env={**kept, **given, **more}, cwd=ROOT, capture_output=True, text=True, timeout=120)


@pytest.mark.django_db
def test_every_page_carries_the_policy_and_the_other_headers(client: Client) -> None:
    answer = client.get("/password/")
    policy = dict(part.strip().partition(" ")[::2] for part in answer["Content-Security-Policy"].split(";"))
    assert policy == {
        "default-src": "'self'",
        "script-src": "'self'",
        "style-src": "'self'",
        "style-src-attr": "'unsafe-inline'",
        "img-src": "'self' data:",
        "object-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    told = (answer["X-Content-Type-Options"], answer["X-Frame-Options"], answer["Referrer-Policy"])
    assert told == ("nosniff", "DENY", "same-origin")


def test_served_with_tls_the_headers_and_cookies_say_so() -> None:
    done = served(BROODTIDE_SECRET_KEY="k" * 60)
    assert done.stderr == ""
    assert done.stdout.split() == [
        *("__Host-session", "__Host-csrf", "True", "True", "True"),
        *("True", "31536000", "True", "DENY", "False"),
    ]


def test_served_without_a_key_it_does_not_start() -> None:
    done = served()
    assert done.returncode != 0
    assert "Set BROODTIDE_SECRET_KEY (or BROODTIDE_SECRET_KEY_FILE)" in done.stderr
