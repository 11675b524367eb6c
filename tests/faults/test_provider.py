"""A mail server that takes and keeps silent, is busy, breaks, hangs, or knows one address not."""

import datetime as dt
from typing import Any

import pytest

from scheduling.models import Delivery, DeliveryState
from scheduling.services import delivery as delivering
from scheduling.services.delivery import MAX_ATTEMPTS, PAUSES, tick
from tests.factories import NOW
from tests.faults.seed import address_of, expected, title_of, write_due
from tests.faults.sink import Answer, Sink

pytestmark = pytest.mark.django_db

ROWS, PEOPLE = 12, 6
BAD = address_of(0, PEOPLE)
WAIT_SECONDS = 1


@pytest.fixture(autouse=True)
def mails_go_to_the_sink(settings: Any, sink: Sink) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", sink.port
    settings.EMAIL_USE_TLS, settings.EMAIL_TIMEOUT = False, WAIT_SECONDS


def badly(answer: Answer, *, times: int = 1_000) -> Any:
    """The one bad address gets this answer, so many times."""
    return lambda to, number: answer if to == BAD and number <= times else Answer.TAKE


def mails(address: str = BAD) -> list[Delivery]:
    return list(Delivery.objects.filter(channel="mail", person__email=address).order_by("pk"))


def states(address: str = BAD) -> set[str]:
    return {row.state for row in mails(address)}


def all_but(address: str) -> set[tuple[str, str]]:
    return {pair for pair in expected(ROWS, PEOPLE) if pair[0] != address}


def tick_until_settled(now: dt.datetime, *, tries: int = MAX_ATTEMPTS) -> None:
    """Tick at the moment of each further try, until nothing of the bad address is to be tried again."""
    for _ in range(tries):
        tick(now=now)
        moments = [row.next_try_at for row in mails() if row.state == DeliveryState.RETRY and row.next_try_at]
        if not moments:
            return
        now = max(moments)


@pytest.mark.parametrize("kind", ["cage_cells", "graft"])
def test_everything_goes_over_one_connection(sink: Sink, kind: str) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE, kind=kind)
    tick(now=NOW)
    assert sink.told() == expected(ROWS, PEOPLE)
    assert (sink.repeats(), sink.doubled(), sink.connections) == (0, [], 1)


@pytest.mark.parametrize("answer", [Answer.TAKE_AND_HANG, Answer.TAKE_AND_CUT])
def test_taken_without_an_answer_a_critical_one_is_repeated_under_the_same_id_alone(sink: Sink, answer: Answer) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    sink.judge = badly(answer, times=2)
    tick_until_settled(NOW, tries=2)
    assert sink.told() == expected(ROWS, PEOPLE)
    assert sink.doubled() == []
    assert sink.repeats() == len(mails()) == 2
    assert states() == {DeliveryState.SENT}


@pytest.mark.parametrize("answer", [Answer.TAKE_AND_HANG, Answer.TAKE_AND_CUT])
def test_taken_without_an_answer_a_routine_one_is_in_doubt_and_never_repeated(sink: Sink, answer: Answer) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE, kind="graft")
    sink.judge = badly(answer)
    tick_until_settled(NOW, tries=3)
    assert (sink.told(), sink.repeats()) == (expected(ROWS, PEOPLE), 0)
    assert states() == {DeliveryState.IN_DOUBT}


@pytest.mark.parametrize("answer", [Answer.BUSY, Answer.BROKEN])
def test_a_clear_no_is_tried_again_with_growing_pauses_and_then_given_up(sink: Sink, answer: Answer) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE, useful_for=dt.timedelta(days=9), kind="graft")
    sink.judge = badly(answer)
    tick_until_settled(NOW, tries=1)
    assert sink.told() == all_but(BAD)
    assert states() == {DeliveryState.RETRY}
    tick_until_settled(max(row.next_try_at for row in mails() if row.next_try_at))
    assert {row.attempts for row in mails()} == {MAX_ATTEMPTS}
    assert states() == {DeliveryState.DEAD}
    assert sink.told() == all_but(BAD)
    assert all("no" in row.problem or "come back later" in row.problem for row in mails())


def test_a_busy_server_gets_it_once_it_has_time(sink: Sink) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.BUSY, times=2)
    tick_until_settled(NOW, tries=2)
    assert (sink.told(), sink.repeats(), sink.doubled()) == (expected(ROWS, PEOPLE), 0, [])


def test_an_address_that_does_not_exist_is_given_up_at_once_and_its_neighbours_go_out(sink: Sink) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.NO_SUCH_ADDRESS)
    tick(now=NOW)
    assert states() == {DeliveryState.DEAD}
    assert "no such address" in mails()[0].problem
    assert sink.told() == all_but(BAD)


def test_a_server_that_never_answers_for_one_address_delays_the_others_by_its_time_limit_alone(sink: Sink) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.HANG)
    tick(now=NOW)
    assert sink.told() == all_but(BAD)
    moments = sorted(one.at for one in sink.taken)
    assert moments[-1] - moments[0] < len(mails()) * WAIT_SECONDS + 3
    assert states() == {DeliveryState.RETRY}


def test_a_server_that_is_not_there_loses_nothing(sink: Sink, settings: Any) -> None:
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    there, settings.EMAIL_PORT = settings.EMAIL_PORT, 1
    tick(now=NOW)
    assert set(Delivery.objects.filter(channel="mail").values_list("state", flat=True)) == {DeliveryState.RETRY}
    settings.EMAIL_PORT = there
    tick(now=NOW + PAUSES[0] + dt.timedelta(seconds=1))
    assert (sink.told(), sink.repeats(), sink.doubled()) == (expected(ROWS, PEOPLE), 0, [])


def test_control_without_an_id_that_stays_nobody_can_tell_a_repeat(sink: Sink, monkeypatch: Any) -> None:
    from scheduling.services.channels import message

    ids = iter(range(10_000))
    monkeypatch.setattr(message, "message_id", lambda delivery: f"<{next(ids)}@broodtide>")
    write_due(ROWS, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.TAKE_AND_CUT, times=2)
    tick_until_settled(NOW, tries=2)
    assert [to for to, _title in sink.doubled()] == [BAD, BAD]


def test_control_without_a_pause_of_its_own_the_bad_row_is_tried_all_the_time(sink: Sink, monkeypatch: Any) -> None:
    monkeypatch.setattr(delivering, "PAUSES", [dt.timedelta(0)] * len(PAUSES))
    write_due(1, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.BUSY)
    for second in range(5):
        tick(now=NOW + dt.timedelta(seconds=second))
    assert sink.asked[BAD] == 5


def test_with_its_pause_the_bad_row_is_tried_once_in_that_time(sink: Sink) -> None:
    write_due(1, due_at=NOW, people=PEOPLE)
    sink.judge = badly(Answer.BUSY)
    for second in range(5):
        tick(now=NOW + dt.timedelta(seconds=second))
    assert sink.asked[BAD] == 1
    assert str(mails()[0].reminder.title) == title_of(0)
