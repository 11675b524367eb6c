"""Corrections of what a lot of a closed session is: its source, its tip, the parts of a mixture; all follows."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from breeding.models import Mating, MatingShare
from scheduling.models import (
    BenchPlace,
    Dose,
    DroneSource,
    LotMovement,
    SemenLot,
    TipChange,
)
from scheduling.queries.ledger import ledger_of
from scheduling.queries.lots import lot_view
from scheduling.queries.trace import trace_of_queen, trace_of_source
from scheduling.services.bench_session import session_close
from scheduling.services.lot_corrections import lot_source_correct, mixture_correct, tip_correct
from scheduling.services.mixtures import lots_mix
from scheduling.services.tips import tip_change
from tests.factories import NOW, DroneSourceFactory, RoleGrantFactory
from tests.scheduling.test_bench import MINUTE, Bench, refused
from tests.scheduling.test_bench_correct import CLOSED, LATER, ClosedBench

pytestmark = pytest.mark.django_db


@pytest.fixture
def closed() -> ClosedBench:
    one = ClosedBench()
    one.taken.refresh_from_db()
    return one


class MixedBench(Bench):
    """Two lots of 20 µl, 10 and 5 µl of them mixed; one queen had 8 µl of the mixture."""

    def __init__(self) -> None:
        super().__init__()
        BenchPlace.objects.update(source=None)
        self.one, self.two = self.lot(), self.lot(source=self.other, tip="T2")
        self.mixture = lots_mix(
            self.session, parts={self.one: 100, self.two: 50}, tip="M1", by=self.by, now=NOW + MINUTE
        )
        self.dose(0, self.mixture)
        self.close()
        self.mixture.refresh_from_db()

    def close(self) -> None:
        session_close(self.session, reason_for_rest="dried", by=self.by, now=CLOSED)

    def correct(self, parts: dict[SemenLot, int]) -> None:
        mixture_correct(self.mixture, parts=parts, reason="misread", by=self.by, now=LATER)

    def shares(self) -> dict[int, tuple[int, int | None]]:
        batch = Mating.objects.get().shared_batch
        assert batch is not None
        return {one.drone_queen_id: (one.volume_tenths, one.drones) for one in batch.shares.all()}


def brought(bench: Bench, source: DroneSource) -> int:
    return {row.member.pk: row.brought for row in ledger_of(bench.session.season)}.get(source.member_id, 0)


def test_a_lot_under_the_wrong_source_takes_doses_matings_and_drones_with_it(closed: ClosedBench) -> None:
    assert set(MatingShare.objects.values_list("drone_queen", flat=True)) == {closed.source.drone_queen_id}
    assert (brought(closed, closed.source), brought(closed, closed.other)) == (20, 0)
    lot_source_correct(closed.taken, source=closed.other, reason="cages mixed up", by=closed.by, now=LATER)
    assert set(MatingShare.objects.values_list("drone_queen", flat=True)) == {closed.other.drone_queen_id}
    assert closed.matings() == {0: 80, 1: 80}
    assert (brought(closed, closed.source), brought(closed, closed.other)) == (0, 20)
    assert trace_of_source(closed.source).queens == []
    assert len(trace_of_source(closed.other).queens) == 2
    assert [one.pk for one in trace_of_queen(closed.queens[0]).sources] == [closed.other.pk]
    row = AuditEntry.objects.get(action="session.correct")
    assert (list(row.before.values()), list(row.after.values()), row.note) == (
        [str(closed.source)],
        [str(closed.other)],
        "cages mixed up",
    )
    assert AuditEntry.objects.filter(action="mating.correct").count() == 2
    fresh = SemenLot.objects.get()
    assert (fresh.label, lot_view(fresh).balance.unexplained) == (closed.taken.label, 0)


def test_a_source_under_hold_can_be_what_it_really_was(closed: ClosedBench) -> None:
    DroneSource.objects.filter(pk=closed.other.pk).update(hold_since=NOW.date(), hold_reason="Chalky brood.")
    lot_source_correct(closed.taken, source=closed.other, reason="cages mixed up", by=closed.by, now=LATER)
    assert trace_of_source(closed.other).queens


def test_a_mixture_follows_the_source_of_its_lots() -> None:
    bench = MixedBench()
    bench.one.refresh_from_db()
    third = DroneSourceFactory(season=bench.session.season, letter="T", name="Third")
    lot_source_correct(bench.one, source=third, reason="cages mixed up", by=bench.by, now=LATER)
    assert bench.shares() == {third.drone_queen_id: (100, 10), bench.other.drone_queen_id: (50, 5)}


def test_what_a_lot_cannot_be_is_refused_and_nothing_is_written(closed: ClosedBench) -> None:
    with refused("source_unknown"):
        lot_source_correct(closed.taken, source=DroneSourceFactory(), reason="x", by=closed.by, now=LATER)
    with refused("says_why"):
        lot_source_correct(closed.taken, source=closed.other, reason=" ", by=closed.by, now=LATER)
    bench = MixedBench()
    with refused("lot_not_single"):
        lot_source_correct(bench.mixture, source=bench.other, reason="x", by=bench.by, now=LATER)
    assert not AuditEntry.objects.filter(action="session.correct").exists()
    closed.session.refresh_from_db()
    assert closed.session.state == "closed"


def test_the_tip_of_a_lot_is_corrected_and_one_of_another_source_refused() -> None:
    bench = Bench()
    lot, other = bench.lot(), bench.lot(source=bench.other, tip="T2")
    later = tip_change(bench.session, lot=lot, tip="T3", by=bench.by, now=NOW + MINUTE)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=CLOSED)
    lot.refresh_from_db()
    with refused("tip_of_other_source"):
        tip_correct(lot, change=None, tip="t2", reason="x", by=bench.by, now=LATER)
    with refused("tip_named"):
        tip_correct(lot, change=None, tip=" ", reason="x", by=bench.by, now=LATER)
    tip_correct(lot, change=None, tip="T 9", reason="misread", by=bench.by, now=LATER)
    later.refresh_from_db()
    tip_correct(lot, change=later, tip="T9 cleaned", reason="misread", by=bench.by, now=LATER)
    lot.refresh_from_db()
    assert (lot.tip, TipChange.objects.get().tip) == ("T 9", "T9 cleaned")
    rows = AuditEntry.objects.filter(action="session.correct").order_by("pk")
    assert [(list(row.before.values()), list(row.after.values())) for row in rows] == [
        (["T1"], ["T 9"]),
        (["T3"], ["T9 cleaned"]),
    ]
    other.refresh_from_db()
    assert other.tip == "T2"


def test_parts_of_a_mixture_are_corrected_and_shares_and_both_balances_follow() -> None:
    bench = MixedBench()
    bench.correct({bench.one: 40, bench.two: 60})
    assert bench.shares() == {bench.source.drone_queen_id: (40, 4), bench.other.drone_queen_id: (60, 6)}
    batch = Mating.objects.get().shared_batch
    assert batch is not None
    assert (batch.total_tenths, batch.recorded_tenths, batch.is_complete) == (100, 100, True)
    balances = [lot_view(lot).balance for lot in (bench.one, bench.two, bench.mixture)]
    assert [(one.mixed_in, one.mixed_out, one.dosed, one.lost, one.unexplained) for one in balances] == [
        (0, 40, 0, 160, 0),
        (0, 60, 0, 140, 0),
        (100, 0, 80, 20, 0),
    ]
    assert LotMovement.objects.filter(kind="mixed_in").count() == 4, "what was entered first stays, marked"
    row = AuditEntry.objects.get(action="session.correct")
    assert list(row.before.values()) == [f"{bench.one} 10 µl, {bench.two} 5 µl"]
    assert list(row.after.values()) == [f"{bench.one} 4 µl, {bench.two} 6 µl"]


def test_a_mixture_of_a_mixture_follows_as_well() -> None:
    bench = Bench()
    BenchPlace.objects.update(source=None)
    one, two = bench.lot(), bench.lot(source=bench.other, tip="T2")
    source = DroneSourceFactory(season=bench.session.season)
    third = bench.lot(source=source, tip="T3")
    first = lots_mix(bench.session, parts={one: 100, two: 100}, tip="M1", by=bench.by, now=NOW + MINUTE)
    second = lots_mix(bench.session, parts={first: 100, third: 100}, tip="M2", by=bench.by, now=NOW + 2 * MINUTE)
    bench.dose(0, second)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=CLOSED)
    first.refresh_from_db()
    with refused("part_of_itself"):
        mixture_correct(first, parts={one: 50, second: 50}, reason="x", by=bench.by, now=LATER)
    mixture_correct(first, parts={one: 150, two: 50}, reason="misread", by=bench.by, now=LATER)
    batch = Mating.objects.get().shared_batch
    assert batch is not None
    assert {share.drone_queen_id: share.volume_tenths for share in batch.shares.all()} == {
        bench.source.drone_queen_id: 75,
        bench.other.drone_queen_id: 25,
        source.drone_queen_id: 100,
    }


def test_a_mixture_cannot_have_had_more_than_its_lots_held_or_less_than_was_given() -> None:
    bench = MixedBench()
    for parts, rule in (
        ({bench.one: 201, bench.two: 50}, "lot_holds_less"),
        ({bench.one: 30, bench.two: 49}, "mixture_used"),
        ({bench.one: 100}, "mixture_of_two"),
    ):
        with refused(rule):
            bench.correct(parts)
    assert bench.shares() == {bench.source.drone_queen_id: (100, 10), bench.other.drone_queen_id: (50, 5)}
    assert not LotMovement.objects.filter(kind="mixed_in", undone_at__isnull=False).exists()


def test_a_corrected_first_part_keeps_its_second_part_due(closed: ClosedBench) -> None:
    Dose.objects.filter(place=closed.places[0]).update(second_planned=True, leak_back=True)
    closed.correct(0, 60)
    given = Dose.objects.get(place=closed.places[0], undone_at__isnull=True)
    assert (given.second_planned, given.leak_back, given.resistance) == (True, True, False)


@pytest.mark.parametrize("what", ["source", "tip", "mixture"])
def test_each_has_its_form_and_says_why(client: Client, what: str) -> None:
    bench = MixedBench()
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    address = reverse("scheduling:bench_correct", args=[bench.session.pk]) + f"?what={what}"
    page = client.get(address).content.decode()
    if what == "mixture":
        assert 'value="10.0"' in page or 'value="10"' in page
        assert f'name="lot{bench.mixture.pk}"' not in page
    fields: dict[str, dict[str, object]] = {
        "source": {"lot": bench.one.pk, "source": bench.other.pk},
        "tip": {"on_record": f"lot{bench.one.pk}", "tip": "T7"},
        "mixture": {"lot": bench.mixture.pk, f"lot{bench.one.pk}": "9,5", f"lot{bench.two.pk}": "5"},
    }
    wanted = fields[what]
    assert client.post(address, wanted).status_code == 422
    assert not AuditEntry.objects.filter(action="session.correct").exists()
    assert client.post(address, {**wanted, "reason": "Seen on the sheet"}).status_code == 302
    assert "Seen on the sheet" in client.get(f"/bench/{bench.session.pk}/").content.decode()
    assert AuditEntry.objects.get(action="session.correct").before


class TwoMixtures(MixedBench):
    """A second mixture of 6 and 7 µl of the same two lots."""

    def close(self) -> None:
        self.second = lots_mix(
            self.session, parts={self.one: 60, self.two: 70}, tip="M2", by=self.by, now=NOW + 2 * MINUTE
        )
        super().close()


def test_of_several_mixtures_each_shows_its_own_parts(client: Client) -> None:
    bench = TwoMixtures()
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    address = reverse("scheduling:bench_correct", args=[bench.session.pk]) + "?what=mixture"

    def shown(of: str) -> tuple[int, list[int | None]]:
        form = client.get(address + of).context["form"]
        return form.one.pk, [form.fields[f"lot{lot.pk}"].initial for lot in (bench.one, bench.two)]

    assert shown("") == (bench.mixture.pk, [100, 50])
    assert shown(f"&lot={bench.second.pk}") == (bench.second.pk, [60, 70])
    assert shown("&lot=nothing") == (bench.mixture.pk, [100, 50])
    wrong_one = {"lot": bench.second.pk, f"lot{bench.one.pk}": "5", f"lot{bench.two.pk}": "5", "reason": "Seen"}
    assert client.post(address, wrong_one).status_code == 422
    assert client.post(address + f"&lot={bench.second.pk}", wrong_one).status_code == 302
    assert shown(f"&lot={bench.second.pk}") == (bench.second.pk, [50, 50])
    assert shown("") == (bench.mixture.pk, [100, 50])


def test_a_session_without_mixtures_asks_for_none(client: Client, closed: ClosedBench) -> None:
    RoleGrantFactory(person=closed.by, cooperative=closed.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(closed.by)
    page = client.get(reverse("scheduling:bench_correct", args=[closed.session.pk])).content.decode()
    assert "what=source" in page
    assert "what=mixture" not in page
    assert closed.session.day == dt.date(2026, 6, 9)
