"""A closed session is corrected by an addition: mating, balance, follow-ups and bookings follow."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django.asserts import assertContains

from accounts.models import AuditEntry, Role
from accounts.refusals import Refusal
from breeding.models import Mating
from scheduling.models import (
    BenchEntry,
    BenchPlace,
    BookingState,
    Dose,
    EntryState,
    LotMovement,
    LotState,
    PlaceState,
    Reminder,
    SemenLot,
)
from scheduling.queries.lots import lot_view
from scheduling.services.bench_correct import dose_correct
from scheduling.services.bench_entries import entry_again
from scheduling.services.bench_session import session_close
from tests.factories import NOW, RoleGrantFactory
from tests.scheduling.device import Device, assert_server_is_log, device_initial
from tests.scheduling.test_bench import MINUTE, Bench

pytestmark = pytest.mark.django_db

CLOSED = NOW + 30 * MINUTE
LATER = NOW + dt.timedelta(days=1)


class ClosedBench(Bench):
    """Two of three queens had 8 µl of a lot of 20 µl; 4 µl dried in the tip."""

    def __init__(self) -> None:
        super().__init__()
        self.taken: SemenLot = self.lot()
        self.dose(0, self.taken)
        self.dose(1, self.taken)
        session_close(self.session, reason_for_rest="dried in the tip", by=self.by, now=CLOSED)
        self.session.refresh_from_db()

    def correct(self, index: int, tenths: int, reason: str = "misread") -> None:
        place = BenchPlace.objects.select_related("session").get(pk=self.places[index].pk)
        dose_correct(place, lot=self.taken, volume_tenths=tenths, reason=reason, by=self.by, now=LATER)

    def matings(self) -> dict[int, int | None]:
        found = Mating.objects.filter(queen__batch_queen__batch=self.batch)
        return {self.queens.index(m.queen.batch_queen): m.total_tenths for m in found}


@pytest.fixture
def closed() -> ClosedBench:
    return ClosedBench()


def test_a_volume_is_corrected_and_everything_follows(closed: ClosedBench) -> None:
    closed.correct(0, 60)
    assert closed.matings() == {0: 60, 1: 80}
    balance = lot_view(closed.taken).balance
    assert (balance.dosed, balance.lost, balance.unexplained) == (140, 60, 0)
    assert Dose.objects.filter(undone_at__isnull=False).count() == 1
    closed.session.refresh_from_db()
    assert (closed.session.state, closed.session.closed_at) == ("closed", CLOSED)
    row = AuditEntry.objects.get(action="session.correct")
    assert (row.note, row.by, row.at) == ("misread", closed.by, LATER)
    assert AuditEntry.objects.filter(action="mating.correct").count() == 1


def test_the_earlier_rest_stays_on_record_as_taken_back(closed: ClosedBench) -> None:
    closed.correct(0, 60)
    rests = LotMovement.objects.filter(kind="lost").order_by("pk")
    assert [(rest.volume_tenths, rest.undone_at) for rest in rests] == [(40, LATER), (60, None)]
    closed.correct(0, 80)
    assert lot_view(closed.taken).balance.lost == 40


def test_a_forgotten_dose_is_added(closed: ClosedBench) -> None:
    closed.correct(2, 40)
    assert closed.matings() == {0: 80, 1: 80, 2: 40}
    assert lot_view(closed.taken).balance.lost == 0
    assert set(BenchPlace.objects.values_list("state", flat=True)) == {PlaceState.DONE}
    closed.booking.refresh_from_db()
    assert closed.booking.state == BookingState.DONE
    closed.taken.refresh_from_db()
    assert closed.taken.state == LotState.USED_UP


def test_a_dose_that_was_not_given_takes_her_mating_back(closed: ClosedBench) -> None:
    closed.correct(1, 0, "wrong row")
    assert closed.matings() == {0: 80}
    closed.queens[1].refresh_from_db()
    closed.queens[1].queen.refresh_from_db()
    assert (closed.queens[1].state, closed.queens[1].queen.status) == ("waiting", "virgin")
    assert lot_view(closed.taken).balance.lost == 120
    assert Reminder.objects.filter(kind="egg_check", state="wanted").count() == 3


def test_what_does_not_add_up_is_refused_and_nothing_stays(closed: ClosedBench) -> None:
    with pytest.raises(Refusal, match="holds 4 µl"):
        closed.correct(2, 50)
    with pytest.raises(Refusal, match="Say why"):
        closed.correct(2, 40, " ")
    assert closed.matings() == {0: 80, 1: 80}
    closed.session.refresh_from_db()
    assert closed.session.state == "closed"
    assert lot_view(closed.taken).balance.lost == 40


def test_a_session_that_runs_is_not_corrected_but_worked_at() -> None:
    bench = Bench()
    lot = bench.lot()
    with pytest.raises(Refusal, match="not closed"):
        dose_correct(bench.places[0], lot=lot, volume_tenths=80, reason="x", by=bench.by, now=NOW)


def test_a_late_entry_is_taken_in_as_a_correction() -> None:
    bench = Bench()
    before = device_initial(bench)
    device = Device(bench)
    lot = device.lot()
    device.send()
    session_close(bench.session, reason_for_rest="dried in the tip", by=bench.by, now=CLOSED)
    device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    [entry] = device.send(now=LATER)
    assert entry.rule == "session_closed"
    with pytest.raises(Refusal, match="say why"):
        entry_again(entry, reason="", by=bench.by, now=LATER)
    taken = entry_again(entry, reason="The tablet had no signal", by=bench.by, now=LATER)
    assert taken.state == EntryState.TAKEN
    mating = Mating.objects.get(queen=bench.queens[0].queen)
    assert (mating.total_tenths, mating.mated_on) == (80, NOW.date())
    assert lot_view(SemenLot.objects.get()).balance.lost == 120
    assert BenchEntry.objects.get(state=EntryState.TAKEN, kind="dose").at == NOW
    assert AuditEntry.objects.filter(action="session.correct").count() == 1
    assert before["places"]
    with pytest.raises(AssertionError):  # rests are no taps: closing books them beside the log
        assert_server_is_log(bench.session, before)


def test_the_page_of_a_closed_session_takes_a_correction_and_shows_it(closed: ClosedBench, client: Client) -> None:
    RoleGrantFactory(person=closed.by, cooperative=closed.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(closed.by)
    address = reverse("scheduling:bench_correct", args=[closed.session.pk])
    wanted = {"place": closed.places[0].pk, "lot": closed.taken.pk, "volume": "6,0", "reason": "Misread by 2 µl"}
    assert client.post(address, {**wanted, "volume": "90"}).status_code == 422
    client.post(address, wanted)
    assert closed.matings() == {0: 60, 1: 80}
    assert "Misread by 2 µl" in client.get(f"/bench/{closed.session.pk}/").content.decode()


def test_the_page_of_a_closed_session_shows_where_the_semen_of_each_lot_went(
    closed: ClosedBench, client: Client
) -> None:
    RoleGrantFactory(person=closed.by, cooperative=closed.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(closed.by)
    response = client.get(f"/bench/{closed.session.pk}/")
    assertContains(response, reverse("scheduling:trace_lot", args=[closed.taken.pk]))
    for collected_given_or_lost in ("20 µl", "16 µl", "4 µl"):
        assertContains(response, f'<td class="num">{collected_given_or_lost}</td>')
