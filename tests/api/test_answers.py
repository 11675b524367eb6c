"""What all endpoints have in common: problems, pages, ETags, requests sent twice, limits."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.db import OperationalError
from django.test import Client

from accounts.models import ApiAnswer, Apiary
from breeding.models import Queen, Score
from scheduling.models import BenchSession, Booking
from scheduling.services import bookings as booking_services
from tests.api.conftest import TODAY, House
from tests.api.test_keys import key_of
from tests.factories import BenchPlaceFactory, QueenFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]
JSON = "application/json"


def send(client: Client, method: str, address: str, body: Any = None, **headers: str) -> Any:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return getattr(client, method)(f"/api/v1/{address}", body or {}, content_type=JSON, headers=named)


# Problems


def test_a_refusal_names_its_field_its_rule_and_what_to_do(client_of: ClientOf, house: House) -> None:
    answer = send(client_of("member"), "post", "queens/", {"label": "Rowan 1", "owner": house.id_of("member")})
    assert answer.status_code == 422
    said = answer.json()
    assert (said["type"], said["title"], said["status"]) == ("about:blank", "Unprocessable Entity", 422)
    assert said["errors"] == [{"field": "label", "detail": said["detail"]}]
    assert "Rowan 1" in said["detail"]


def test_a_refusal_for_the_state_of_things_is_a_conflict(client_of: ClientOf, house: House) -> None:
    answer = send(client_of("member"), "post", f"batches/{house.id_of('batch')}/close/")
    assert (answer.status_code, answer.json()["rule"]) == (409, "batch_has_bookings")


def test_what_is_full_is_a_conflict(client_of: ClientOf, house: House) -> None:
    body = {"batch": house.id_of("batch"), "queens": 21, "sources": [house.id_of("source")]}
    answer = send(client_of("member"), "post", "bookings/", body, Idempotency_Key="full")
    assert (answer.status_code, answer.json()["rule"]) == (409, "queens_left")
    assert not ApiAnswer.objects.exists()  # nothing was done, so the key is free


def test_unknown_fields_are_refused_not_passed_over(client_of: ClientOf, house: House) -> None:
    body = {"label": "New", "owner": house.id_of("member"), "cooperative": 1, "mating": {"kind": "open", "colour": 1}}
    answer = send(client_of("member"), "post", "queens/", body)
    assert answer.status_code == 400
    assert {error["field"] for error in answer.json()["errors"]} == {"cooperative"}
    del body["cooperative"]
    answer = send(client_of("member"), "post", "queens/", body)
    assert {error["field"] for error in answer.json()["errors"]} == {"mating.colour"}
    assert not Queen.objects.filter(label="New").exists()


@pytest.mark.parametrize(
    ("field", "value"),
    [("label", 7), ("birth_year", "2024"), ("birth_year", True), ("emerged_on", "1 June 2026"), ("mother", "1"),
     ("mother", 10**12), ("owner", 10**30), ("label", "x\0y")],
)  # fmt: skip
def test_what_only_looks_like_the_right_form_is_refused(
    client_of: ClientOf, house: House, field: str, value: Any
) -> None:
    body = {"label": "New", "owner": house.id_of("member"), field: value}
    answer = send(client_of("member"), "post", "queens/", body)
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == [field]


def test_things_of_another_cooperative_are_not_known_in_bodies(client_of: ClientOf, house: House) -> None:
    strange = QueenFactory()
    body = {"label": "New", "owner": house.id_of("member"), "mother": strange.pk}
    answer = send(client_of("member"), "post", "queens/", body)
    assert answer.status_code == 400
    assert answer.json()["detail"] == f"There is none with the id {strange.pk}."


def test_nobody_enters_something_for_another_member(client_of: ClientOf, house: House) -> None:
    body = {"label": "New", "owner": house.id_of("member")}
    assert send(client_of("other member"), "post", "queens/", body).status_code == 400
    assert not Queen.objects.filter(label="New").exists()


def test_bodies_that_are_no_json_are_refused(client_of: ClientOf) -> None:
    client = client_of("member")
    torn = client.post("/api/v1/queens/", "{", content_type=JSON)
    assert (torn.status_code, torn["Content-Type"]) == (400, "application/problem+json")
    form = client.post("/api/v1/queens/", {"label": "x"})
    assert (form.status_code, form["Content-Type"]) == (415, "application/problem+json")


def test_a_busy_database_says_when_to_try_again(
    client_of: ClientOf, house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*args: Any, **kwargs: Any) -> None:
        raise OperationalError("canceling statement due to lock timeout")

    monkeypatch.setattr(booking_services, "_refuse_more_than_left", busy)
    body = {"batch": house.id_of("batch"), "queens": 1, "sources": [house.id_of("source")]}
    answer = send(client_of("member"), "post", "bookings/", body, Idempotency_Key="busy")
    assert (answer.status_code, answer["Retry-After"]) == (503, "2")
    assert not ApiAnswer.objects.exists()


def test_an_address_that_leads_nowhere_is_a_problem_too_whatever_is_sent(client_of: ClientOf, house: House) -> None:
    answer = client_of("member").get("/api/v1/queens/rowan/")
    assert (answer.status_code, answer["Content-Type"]) == (404, "application/problem+json")
    assert Client().post("/api/v1/nothing/here/", headers=key_of(house)[1]).status_code == 404
    of_two_lines = client_of("member").get("/api/v1/queens/1%0A2/")
    assert (of_two_lines.status_code, of_two_lines["Content-Type"]) == (404, "application/problem+json")


# Pages


def test_a_long_list_comes_in_pages_that_nothing_shifts(client_of: ClientOf, house: House) -> None:
    for number in range(7):
        QueenFactory(owner=house.member, label=f"Elm {number}", birth_year=2020)
    client = client_of("member")
    first = client.get("/api/v1/queens/?label=elm&ordering=-label&page_size=3").json()
    QueenFactory(owner=house.member, label="Elm 9", birth_year=2020)  # before the first page
    second = client.get(first["next"]).json()
    third = client.get(second["next"]).json()
    labels = [row["label"] for page in (first, second, third) for row in page["results"]]
    assert labels == [f"Elm {number}" for number in (6, 5, 4, 3, 2, 1, 0)]
    assert third["next"] is None


def test_rows_with_the_same_value_stand_on_one_page_each(client_of: ClientOf, house: House) -> None:
    made = Queen.objects.bulk_create(
        Queen(cooperative=house.cooperative, owner=house.member, label=f"Elm {n}", created_at="2026-01-01T00:00:00Z")
        for n in range(11)
    )
    address, seen = "/api/v1/queens/?label=elm&ordering=created_at&page_size=4", []
    while address:
        page = client_of("member").get(address).json()
        seen += [row["id"] for row in page["results"]]
        address = page["next"]
    assert seen == [queen.pk for queen in made]


@pytest.mark.parametrize(
    ("query", "code"),
    [("colour=red", 400), ("ordering=note", 400), ("page_size=0", 400), ("page_size=all", 400), ("mother=x", 400),
     ("mated=perhaps", 400), ("cursor=nonsense", 404), ("cursor=cD0lRjA%3D", 404), ("mother=99999999999999", 400),
     ("mother=1&mother=2", 400)],
)  # fmt: skip
def test_what_is_asked_wrongly_is_said(client_of: ClientOf, query: str, code: int) -> None:
    assert client_of("member").get(f"/api/v1/queens/?{query}").status_code == code


def test_lists_are_narrowed(client_of: ClientOf, house: House) -> None:
    client = client_of("member")
    mother = house.things["queen"].mother_id

    def labels(query: str) -> list[str]:
        return [row["label"] for row in client.get(f"/api/v1/queens/?{query}").json()["results"]]

    assert labels(f"mother={mother}") == ["Rowan 1"]
    assert labels("mated=true") == ["Rowan 1"]
    assert "Old Rowan" in labels("mated=false")


# Changed meanwhile


def test_a_change_needs_what_it_is_based_on_and_a_stale_one_shows_what_stands(
    client_of: ClientOf, house: House
) -> None:
    client, address = client_of("member"), f"queens/{house.id_of('queen')}/"
    seen = send(client, "get", address)
    assert send(client, "patch", address, {"note": "a"}).status_code == 428
    changed = send(client, "patch", address, {"note": "a"}, If_Match=seen["ETag"])
    assert (changed.status_code, changed.json()["note"]) == (200, "a")
    assert changed["ETag"] != seen["ETag"]
    stale = send(client, "patch", address, {"note": "b"}, If_Match=seen["ETag"])
    assert (stale.status_code, stale["ETag"]) == (412, changed["ETag"])
    assert stale.json()["current"]["note"] == "a"
    assert send(client, "patch", address, {"note": "b"}, If_Match=stale["ETag"]).json()["note"] == "b"


def test_what_is_known_already_is_not_sent_again(client_of: ClientOf, house: House) -> None:
    client, address = client_of("member"), f"queens/{house.id_of('queen')}/"
    etag = send(client, "get", address)["ETag"]
    again = client.get(f"/api/v1/{address}", headers={"If-None-Match": etag})
    assert (again.status_code, again.content, again["ETag"]) == (304, b"", etag)


def test_acts_heed_if_match_when_it_is_sent(client_of: ClientOf, house: House) -> None:
    address = f"bookings/{house.id_of('booking')}/withdraw/"
    answer = send(client_of("member"), "post", address, {"reason": "rain"}, If_Match='"old"')
    assert answer.status_code == 412
    assert Booking.objects.get().state == "asked"


# Sent twice


def test_a_booking_sent_twice_is_one_and_gets_the_same_answer(client_of: ClientOf, house: House) -> None:
    Booking.objects.update(queens=1)
    client = client_of("member")
    body = {"batch": house.id_of("batch"), "queens": 2, "sources": [house.id_of("source")], "dose_ul": 8.5}
    first = send(client, "post", "bookings/", body, Idempotency_Key="one")
    assert first.status_code == 201, first.content
    again = send(client, "post", "bookings/", body, Idempotency_Key="one")
    assert (again.status_code, again.json()) == (201, first.json())
    assert (again["ETag"], again["Location"]) == (first["ETag"], first["Location"])
    assert (again["Idempotent-Replayed"], "Idempotent-Replayed" in first) == ("true", False)
    assert Booking.objects.filter(queens=2, dose_tenths=85).count() == 1
    other = send(client, "post", "bookings/", {**body, "queens": 3}, Idempotency_Key="one")
    assert other.status_code == 422
    assert client.get(first["Location"]).json()["id"] == first.json()["id"]


@pytest.mark.parametrize(("places", "state"), [(9, "asked"), (1, "queued"), (None, "asked")])
def test_a_booking_is_answered_with_as_it_is_read_afterwards(
    client_of: ClientOf, house: House, places: int | None, state: str
) -> None:
    """Nothing is read again for the answer: it must be what the next one to read it gets."""
    Booking.objects.update(queens=1)
    client, session = client_of("member"), house.things["session"]
    BenchSession.objects.filter(pk=session.pk).update(places=places or 0)
    body = {"batch": house.id_of("batch"), "queens": 2, "sources": [house.id_of("source")], "note": "ä"}
    body |= {"session": session.pk} if places else {}
    made = send(client, "post", "bookings/", body, Idempotency_Key="one")
    assert (made.status_code, made.json().get("state")) == (201, state), made.content
    read = client.get(made["Location"])
    assert (read.json(), read["ETag"]) == (made.json(), made["ETag"])
    # The program died before it could keep its answer; meanwhile the plan gave places.
    ApiAnswer.objects.all().delete()
    booking = Booking.objects.get(pk=made.json()["id"])
    held = BenchPlaceFactory(booking=booking, session=session, state="held")
    BenchPlaceFactory(booking=booking, session=session, state="freed")
    again = send(client, "post", "bookings/", body, Idempotency_Key="one")
    read = client.get(made["Location"])
    assert (again.json(), again["ETag"]) == (read.json(), read["ETag"])
    assert [place["id"] for place in again.json()["places"]] == [held.pk]


def test_keys_are_ones_own(client_of: ClientOf, house: House) -> None:
    body = {"batch": house.id_of("batch"), "queens": 1, "sources": [house.id_of("source")]}
    Booking.objects.update(queens=1)
    mine = send(client_of("member"), "post", "bookings/", body, Idempotency_Key="one")
    theirs = send(client_of("colleague"), "post", "bookings/", body, Idempotency_Key="one")
    assert {mine.status_code, theirs.status_code} == {201}
    assert mine.json()["id"] != theirs.json()["id"]


def test_a_booking_without_a_key_is_refused(client_of: ClientOf, house: House) -> None:
    answer = send(client_of("member"), "post", "bookings/", {})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "Idempotency-Key")
    for key in ("", "two words", "x" * 101, "ü"):
        answer = send(client_of("member"), "post", "bookings/", {}, Idempotency_Key=key)
        assert answer.json()["errors"][0]["field"] == "Idempotency-Key"


def test_a_request_that_is_still_being_answered_is_not_begun_again(client_of: ClientOf, house: House) -> None:
    Booking.objects.update(queens=1)
    body = {"batch": house.id_of("batch"), "queens": 1, "sources": [house.id_of("source")]}
    send(client_of("member"), "post", "bookings/", body, Idempotency_Key="one")
    ApiAnswer.objects.update(status=None, body=None)
    again = send(client_of("member"), "post", "bookings/", body, Idempotency_Key="one")
    assert again.status_code == 409
    ApiAnswer.objects.update(begun_at=dt.datetime.now(tz=dt.UTC) - dt.timedelta(minutes=6))  # its process died
    taken_over = send(client_of("member"), "post", "bookings/", body, Idempotency_Key="one")
    assert taken_over.status_code == 201
    assert Booking.objects.count() == 2  # the one that was there, and this one once


def test_answers_are_forgotten_after_two_days(client_of: ClientOf, house: House) -> None:
    body = {"name": "Brook", "member": house.id_of("member")}
    assert send(client_of("member"), "post", "apiaries/", body, Idempotency_Key="one").status_code == 201
    ApiAnswer.objects.update(begun_at=dt.datetime.now(tz=dt.UTC) - dt.timedelta(hours=49))
    body["name"] = "Burn"
    assert send(client_of("member"), "post", "apiaries/", body, Idempotency_Key="one").status_code == 201
    assert ApiAnswer.objects.count() == 1


# What is written is what the pages write


def test_a_queen_is_registered_with_her_mating_in_one_go(client_of: ClientOf, house: House) -> None:
    body = {
        "label": "Rowan 2", "owner": house.id_of("member"), "mother": house.id_of("queen"), "birth_year": 2025,
        "mating": {"kind": "dpq", "total_ul": 8.5, "shares": [{"drone_queen": house.id_of("queen"), "volume_ul": 8.5}]},
    }  # fmt: skip
    answer = send(client_of("member"), "post", "queens/", body)
    assert answer.status_code == 201, answer.content
    said = answer.json()
    assert (said["status"], said["mating"]["total_ul"], said["mating"]["is_complete"]) == ("mated", 8.5, True)
    assert said["mating"]["shares"] == [{"drone_queen": house.id_of("queen"), "volume_ul": 8.5, "drones": None}]
    queen = Queen.objects.get(label="Rowan 2")
    etag = answer["ETag"]
    corrected = send(
        client_of("member"), "put", f"queens/{queen.pk}/mating/", {"kind": "open", "drones": 9}, If_Match=etag
    )
    assert (corrected.status_code, corrected.json()["mating"]["kind"]) == (200, "open")


def test_a_score_is_written_and_corrected(client_of: ClientOf, house: House) -> None:
    client = client_of("member")
    body = {"colony": house.id_of("colony"), "trait": "gentleness", "scored_on": "2025-08-01", "value": 3.5}
    made = send(client, "post", "scores/", body)
    assert made.status_code == 201, made.content
    better = send(client, "post", f"scores/{made.json()['id']}/correct/", {"value": 4})
    assert (better.status_code, better.json()["value"], better.json()["counts"]) == (201, 4.0, True)
    assert Score.objects.get(pk=made.json()["id"]).replaced_by_id == better.json()["id"]


def test_an_observed_step_carries_what_belongs_to_it_alone(client_of: ClientOf, house: House) -> None:
    address = f"batches/{house.id_of('batch')}/observe/started/"
    day = (TODAY - dt.timedelta(days=19)).isoformat()
    good = send(client_of("member"), "post", address, {"counted_on": day, "cells_started": 15})
    assert (good.status_code, good.json()["cells_started"]) == (200, 15)
    strange = send(client_of("member"), "post", address, {"counted_on": day, "virgins_emerged": 15})
    assert (strange.status_code, strange.json()["errors"][0]["field"]) == (400, "virgins_emerged")


def test_moments_are_utc_and_volumes_are_ul(client_of: ClientOf, house: House) -> None:
    dose = client_of("operator").get(f"/api/v1/doses/{house.id_of('dose')}/").json()
    assert dose["volume_ul"] == 8.0
    assert dose["given_at"].endswith("Z")


# Limits


def test_too_many_requests_are_told_to_wait(client_of: ClientOf, settings: Any) -> None:
    settings.API_REQUESTS_A_MINUTE = 3
    client = client_of("member")
    codes = [client.get("/api/v1/me/").status_code for _ in range(4)]
    assert codes == [200, 200, 200, 429]
    answer = client.get("/api/v1/me/")
    assert 1 <= int(answer["Retry-After"]) <= 61
    assert client_of("colleague").get("/api/v1/me/").status_code == 200


def test_a_browser_needs_the_csrf_token_to_change_something(house: House) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(house.people["member"])
    body = {"name": "Brook", "member": house.id_of("member")}
    assert send(client, "post", "apiaries/", body).status_code == 403
    assert not Apiary.objects.filter(name="Brook").exists()
    client.get("/settings/")
    token = client.cookies["broodtide_csrf"].value
    assert send(client, "post", "apiaries/", body, X_CSRFToken=token).status_code == 201
