"""Stored semen: given at a later session, thrown away, tested; the balance of its own session stays true."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from scheduling.models import BenchPlace, BenchSession, LotMovement, LotState, MovementKind, QueenBatch, SemenLot
from scheduling.queries.lots import lot_view
from scheduling.services.bench_correct import dose_correct
from scheduling.services.bench_corrections import lot_out_correct
from scheduling.services.bench_queens import dose_give
from scheduling.services.bench_session import open_ends, session_close, session_start
from scheduling.services.lots import lot_take_out, lot_viability
from tests.factories import NOW, BenchPlaceFactory, BenchSessionFactory, PersonFactory, RoleGrantFactory
from tests.scheduling.test_bench import MINUTE, Bench, refused

pytestmark = pytest.mark.django_db

LATER = NOW + dt.timedelta(days=2)
AFTER = LATER + 2 * MINUTE


class Stored(Bench):
    """20 µl collected, 8 given, 10 stored, 2 lost at the end; the next session runs."""

    def __init__(self, *, started: bool = True) -> None:
        super().__init__()
        self.taken = self.lot()
        self.dose(0, self.taken)
        lot_take_out(self.taken, kind="stored", volume_tenths=100, reason="box 2, 17 °C", by=self.by, now=NOW + MINUTE)
        session_close(self.session, reason_for_rest="dried", by=self.by, now=NOW + 30 * MINUTE)
        self.session.refresh_from_db()
        self.next: BenchSession = BenchSessionFactory(
            season=self.session.season,
            bench=self.session.bench,
            day=LATER.date(),
            starts_at=LATER,
            ends_at=LATER + dt.timedelta(hours=4),
        )
        self.place = BenchPlaceFactory(
            session=self.next,
            position=1,
            plan=self.places[1].plan,
            booking=self.booking,
            batch_queen=self.queens[1],
            source=self.source,
        )
        QueenBatch.objects.filter(pk=self.batch.pk).update(first_co2_at=LATER - dt.timedelta(hours=24))
        if started:
            session_start(self.next, cautions_read=True, nitrogen_shown=True, by=self.by, now=LATER)

    def give(self, tenths: int) -> None:
        place = BenchPlace.objects.select_related("session").get(pk=self.place.pk)
        dose_give(place, lot=self.taken, volume_tenths=tenths, by=self.by, now=LATER)

    def balance(self) -> tuple[int, int, int, int]:
        balance = lot_view(self.taken).balance
        return balance.left, balance.in_store, balance.lost, balance.unexplained


def test_what_is_given_from_the_store_leaves_its_session_in_balance() -> None:
    stored = Stored()
    assert stored.balance() == (100, 100, 20, 0)
    stored.give(40)
    assert stored.balance() == (60, 60, 20, 0)
    assert open_ends(stored.next) == []
    session_close(stored.next, by=stored.by, now=LATER + MINUTE)
    assert stored.balance() == (60, 60, 20, 0)


def test_a_correction_of_the_first_session_books_nothing_for_what_was_given_later() -> None:
    stored = Stored()
    stored.give(40)
    session_close(stored.next, by=stored.by, now=LATER + MINUTE)
    place = BenchPlace.objects.select_related("session").get(pk=stored.places[0].pk)
    dose_correct(place, lot=stored.taken, volume_tenths=70, reason="misread", by=stored.by, now=LATER + 2 * MINUTE)
    assert stored.balance() == (60, 60, 30, 0)
    collected = LotMovement.objects.filter(kind=MovementKind.COLLECTED, undone_at=None)
    assert [row.volume_tenths for row in collected] == [200]


def test_stored_semen_is_thrown_away_without_a_session() -> None:
    stored = Stored()
    session_close(stored.next, by=stored.by, now=LATER + MINUTE)
    with refused("session_closed"):
        lot_take_out(stored.taken, kind="stored", volume_tenths=1, reason="x", by=stored.by, now=LATER + 2 * MINUTE)
    with refused("lot_holds_less"):
        lot_take_out(
            stored.taken, kind="discarded", volume_tenths=101, reason="x", by=stored.by, now=LATER + 2 * MINUTE
        )
    lot_take_out(stored.taken, kind="discarded", volume_tenths=100, reason="old", by=stored.by, now=LATER + 2 * MINUTE)
    assert stored.balance() == (0, 0, 20, 0)
    assert SemenLot.objects.get(pk=stored.taken.pk).state == LotState.DISCARDED


def test_the_last_of_the_store_ends_the_lot() -> None:
    stored = Stored()
    stored.give(100)
    session_close(stored.next, by=stored.by, now=LATER + MINUTE)
    assert SemenLot.objects.get(pk=stored.taken.pk).state == LotState.USED_UP


def test_semen_stored_and_given_at_the_same_session_leaves_less_in_store() -> None:
    bench = Bench()
    lot = bench.lot()
    lot_take_out(lot, kind="stored", volume_tenths=150, reason="box 2", by=bench.by, now=NOW + MINUTE)
    bench.dose(0, lot)
    assert lot_view(lot).balance.unexplained == -30
    session_close(bench.session, by=bench.by, now=NOW + 30 * MINUTE)
    balance = lot_view(lot).balance
    assert (balance.collected, balance.stored, balance.lost, balance.unexplained) == (200, 120, 0, 0)
    assert LotMovement.objects.filter(kind=MovementKind.STORED).count() == 2


def test_how_much_was_stored_is_corrected_but_never_below_what_was_given_of_it() -> None:
    stored = Stored()
    stored.give(40)
    session_close(stored.next, by=stored.by, now=LATER + MINUTE)
    when: dict[str, Any] = {"reason": "read from the wrong scale", "by": stored.by, "now": LATER + 2 * MINUTE}
    with refused("given_from_store"):
        lot_out_correct(SemenLot.objects.select_related("session").get(), kind="stored", volume_tenths=30, **when)
    lot_out_correct(SemenLot.objects.select_related("session").get(), kind="stored", volume_tenths=60, **when)
    assert stored.balance() == (20, 20, 60, 0)
    assert SemenLot.objects.get().state == LotState.STORED


def test_a_viability_result_is_kept_and_lifts_the_limit() -> None:
    stored = Stored()
    with refused(""):
        lot_viability(stored.taken, percent=60, checked_on=NOW.date() - dt.timedelta(days=3), by=stored.by, now=LATER)
    lot_viability(stored.taken, percent=60, checked_on=LATER.date(), by=stored.by, now=LATER)
    SemenLot.objects.update(opened_at=NOW - dt.timedelta(days=60))
    stored.give(40)
    assert stored.balance()[0] == 60


def test_the_bench_lists_what_is_in_store_for_operators_alone(client: Client) -> None:
    stored = Stored()
    RoleGrantFactory(person=stored.by, cooperative=stored.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(stored.by)
    page = client.get(reverse("scheduling:bench")).content.decode()
    assert "Semen in store" in page
    assert "box 2, 17 °C" in page
    address = reverse("scheduling:lot_viability", args=[stored.session.pk, stored.taken.pk])
    client.post(address, {"checked_on": NOW.date(), "percent": "55"})
    assert "55 %" in client.get(reverse("scheduling:lot", args=[stored.session.pk, stored.taken.pk])).content.decode()
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=stored.session.season.cooperative, role=Role.BREEDER)
    client.force_login(breeder)
    assert client.post(address, {"checked_on": NOW.date(), "percent": "5"}).status_code == 403
    assert SemenLot.objects.get().viability_percent == 55


def test_where_semen_is_in_store_the_session_starts_with_the_caution_on_liquid_nitrogen(client: Client) -> None:
    stored = Stored(started=False)
    RoleGrantFactory(person=stored.by, cooperative=stored.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(stored.by)
    page = client.get(reverse("scheduling:bench_session", args=[stored.next.pk])).content.decode()
    assert ("liquid nitrogen" in page, "box 2, 17 °C" in page, 'name="nitrogen_shown"' in page) == (True, True, True)
    with refused("caution_nitrogen"):
        session_start(stored.next, cautions_read=True, by=stored.by, now=LATER)
    started = session_start(stored.next, cautions_read=True, nitrogen_shown=True, by=stored.by, now=LATER)
    assert (started.state, started.cautions_read_by) == ("running", stored.by)
    session_start(stored.next, cautions_read=False, by=stored.by, now=LATER)  # once a session
    row = AuditEntry.objects.get(action="session.start", subject_id=str(stored.next.pk))
    assert row.after == {"caution_nitrogen": [stored.taken.label]}


def test_semen_stored_after_the_cautions_were_shown_asks_for_the_tick_again(client: Client) -> None:
    stored = Stored(started=False)
    RoleGrantFactory(person=stored.by, cooperative=stored.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(stored.by)
    BenchSession.objects.filter(pk=stored.next.pk).update(day=NOW.date() - dt.timedelta(days=1))
    address = reverse("scheduling:bench_start", args=[stored.next.pk])
    page = client.post(address, {"cautions_read": "on"})  # from a page without that caution
    assert (page.status_code, "tick again" in page.content.decode()) == (422, True)
    assert 'name="nitrogen_shown"' in page.content.decode()
    assert client.post(address, {"cautions_read": "on", "nitrogen_shown": "on"}).status_code == 302
    stored.next.refresh_from_db()
    assert stored.next.state == "running"


def test_without_semen_in_store_at_that_bench_there_is_no_word_of_nitrogen(client: Client) -> None:
    stored = Stored(started=False)
    RoleGrantFactory(person=stored.by, cooperative=stored.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(stored.by)
    elsewhere = BenchSessionFactory(season=stored.session.season, day=LATER.date(), starts_at=LATER)
    assert "nitrogen" not in client.get(reverse("scheduling:bench_session", args=[elsewhere.pk])).content.decode()
    session_start(elsewhere, cautions_read=True, by=stored.by, now=LATER)
    lot_take_out(stored.taken, kind="discarded", volume_tenths=100, reason="old", by=stored.by, now=LATER)
    session_start(stored.next, cautions_read=True, by=stored.by, now=LATER)
    assert AuditEntry.objects.filter(action="session.start", after={}).count() == 3
