"""What is answered when the database cannot do its work: 503 in words; a fault of the program stays one."""

from types import SimpleNamespace

import pytest
from django.contrib.sessions.exceptions import SessionInterrupted
from django.contrib.sessions.models import Session
from django.db import DatabaseError, InterfaceError, InternalError, OperationalError, ProgrammingError
from django.http import HttpRequest
from django.test import Client
from django.urls import reverse

from accounts.models import Apiary
from accounts.troubles import is_trouble_of_the_database
from tests.factories import MemberPersonFactory

pytestmark = pytest.mark.django_db

LOCKED = OperationalError("canceling statement due to lock timeout")


def caused_by(error: Exception, cause: BaseException) -> Exception:
    error.__cause__ = cause
    return error


class ReadOnly(Exception):  # noqa: N818 - as the driver says it
    sqlstate = "25006"


class AnotherState(Exception):  # noqa: N818
    sqlstate = "25P02"


@pytest.mark.parametrize(
    ("error", "is_trouble"),
    [
        (LOCKED, True),
        (OperationalError("database is locked"), True),
        (InterfaceError("the connection is closed"), True),
        (caused_by(InternalError(), ReadOnly()), True),
        (caused_by(SessionInterrupted("deleted"), LOCKED), True),
        (caused_by(InternalError(), AnotherState()), False),
        (OperationalError("no such table: accounts_person"), False),
        (ProgrammingError("relation does not exist"), False),
        (DatabaseError("?"), False),
        (ValueError("x"), False),
        (None, False),
    ],
    ids=str,
)
def test_which_errors_are_the_databases(error: BaseException | None, is_trouble: bool) -> None:
    assert is_trouble_of_the_database(error) is is_trouble


@pytest.fixture
def client() -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(MemberPersonFactory().person)
    return client


def raising(error: Exception) -> object:
    def view(*_args: object, **_kwargs: object) -> None:
        raise error

    return view


@pytest.mark.parametrize(
    ("accept", "kind"), [("text/html", "text/html; charset=utf-8"), ("application/json", "text/plain; charset=utf-8")]
)
def test_a_busy_database_is_said_in_words_and_when_to_come_again(
    client: Client, monkeypatch: pytest.MonkeyPatch, accept: str, kind: str
) -> None:
    monkeypatch.setattr(Apiary.objects, "filter", raising(LOCKED))
    answer = client.get(reverse("accounts:apiaries"), headers={"accept": accept})
    assert (answer.status_code, answer["Retry-After"], answer["Content-Type"]) == (503, "30", kind)
    assert "Nothing was changed" in answer.content.decode()


def test_a_session_that_cannot_be_written_is_no_fault_of_the_request(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Django makes of it a request that could not be read."""
    monkeypatch.setattr(Session, "save", raising(LOCKED))
    answer = client.post(reverse("accounts:role"), {"role": "member"})
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")


def test_a_fault_of_the_program_stays_one(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Apiary.objects, "filter", raising(ProgrammingError("relation does not exist")))
    answer = client.get(reverse("accounts:apiaries"))
    assert (answer.status_code, answer.headers.get("Retry-After")) == (500, None)
    assert "Something broke on our side" in answer.content.decode()


def test_a_request_that_cannot_be_read_is_answered_as_ever() -> None:
    answer = Client(raise_request_exception=False).get("/", headers={"host": "elsewhere.example.org"})
    assert answer.status_code == 400
    assert "We could not read this request" in answer.content.decode()


def test_it_is_written_without_asking_the_database() -> None:
    from accounts.views.troubles import unavailable

    request = HttpRequest()
    request.META = {"HTTP_ACCEPT": "text/html"}
    request.user = SimpleNamespace()  # type: ignore[assignment]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("django.db.backends.utils.CursorWrapper.execute", raising(LOCKED))
        assert unavailable(request).status_code == 503
