"""Links that are keys by themselves stand in no log: not the application's, the web process's, nor the proxy's."""

import io
import logging
import logging.config
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client
from gunicorn.config import Config

from config.gunicorn_logs import QuietLogger
from config.logs import SECRET_PATH, SecretPaths, without_secrets
from tests.processes import ROOT

SECRET = "nVnJ2k0wq8p3-s_TqYFh1wU7cQe2m9Xa5Zb4Rd6Lg0o"
PATHS = [
    f"/calendar/{SECRET}.ics",
    f"/tap/12.3.4.done.{SECRET}/",
    f"/password/new/MQ/{SECRET}/",
    f"/join/{SECRET}/",
    f"/card/{SECRET}/",
]


@pytest.mark.parametrize("path", PATHS)
def test_the_secret_is_taken_out_and_the_rest_stays(path: str) -> None:
    assert SECRET not in without_secrets(f'"GET {path}?x=1 HTTP/1.1" 200')
    assert re.fullmatch(r'"GET /[a-z/]+/-\?x=1 HTTP/1\.1" 200', without_secrets(f'"GET {path}?x=1 HTTP/1.1" 200'))
    assert without_secrets("GET /calendars/make/ and /password/") == "GET /calendars/make/ and /password/"


@pytest.mark.django_db
@pytest.mark.parametrize("path", [PATHS[0], PATHS[1]])
def test_the_applications_own_log_of_a_wrong_link_hides_it(client: Client, path: str) -> None:
    """Django warns of each 404 with its path."""
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    assert "secret_paths" in settings.LOGGING["handlers"]["console"]["filters"]  # type: ignore[index]
    assert settings.LOGGING["filters"]["secret_paths"] == {"()": "config.logs.SecretPaths"}  # type: ignore[index]
    handler.addFilter(SecretPaths())
    logger = logging.getLogger("django.request")
    logger.addHandler(handler)
    try:
        assert client.get(path).status_code == 404
    finally:
        logger.removeHandler(handler)
    assert "Not Found: /" in stream.getvalue()
    assert SECRET not in stream.getvalue()


@pytest.mark.parametrize("path", PATHS)
def test_the_web_processs_log_hides_it(path: str) -> None:
    logger = QuietLogger(Config())
    environ = {
        "REQUEST_METHOD": "GET", "RAW_URI": path, "PATH_INFO": path, "SERVER_PROTOCOL": "HTTP/1.1",
        "HTTP_REFERER": f"https://bees.example.org{path}",
    }  # fmt: skip

    class Answer:
        status, sent, response_length, headers = "200 OK", 10, 10, ()

    class Request:
        headers = ()

    class Took:
        seconds, microseconds = 0, 10

    atoms = logger.atoms(Answer(), Request(), environ, Took())
    assert atoms["s"] == "200"
    assert SECRET not in str(atoms)
    stream = io.StringIO()
    logger.error_log.addHandler(logging.StreamHandler(stream))
    logger.error("Error handling request %s", path)
    assert "Error handling request /" in stream.getvalue()
    assert SECRET not in stream.getvalue()


def test_every_web_process_is_started_with_that_log() -> None:
    for name in ("docker-compose.yml", "docs/operations.md", "accounts/management/commands/run_embedded.py"):
        assert "config.gunicorn_logs.QuietLogger" in (ROOT / name).read_text(encoding="utf-8"), name


def test_the_proxy_hides_the_same_paths() -> None:
    text = Path(ROOT / "deploy/Caddyfile").read_text(encoding="utf-8")
    [kinds] = re.findall(r"request>uri regexp \"/\(([^)]+)\)", text)
    assert kinds in SECRET_PATH.pattern
