"""Semen collected straight from a pool: drones of several sources together, split in the record as the drones were."""

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from breeding.models import Mating, MatingKind
from scheduling.forms.bench_correct import CorrectDronesForm
from scheduling.models import BenchPlace, DroneCall, DroneSource, LotPart, SemenLot
from scheduling.planning.what_now import Fate
from scheduling.queries.bench import bench_page
from scheduling.queries.ledger import ledger_of
from scheduling.queries.lots import lot_view, sources_of_lot
from scheduling.queries.sources_at_hand import source_view
from scheduling.queries.trace import trace_of_queen, trace_of_source
from scheduling.queries.what_now import sources_before, what_now_of
from scheduling.services.bench_corrections import pool_correct, tally_correct
from scheduling.services.bench_session import session_close
from scheduling.services.entry_log import Sent
from scheduling.services.lots import lot_open, lot_read, lot_tally
from scheduling.services.mixtures import lots_mix
from tests.factories import NOW, DroneSourceFactory, RoleGrantFactory
from tests.scheduling.device import Device
from tests.scheduling.test_bench import MINUTE, Bench, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench() -> Bench:
    one = Bench()
    BenchPlace.objects.update(source=None)
    for place in one.places:
        place.refresh_from_db()
    return one


def pooled(bench: Bench, *, tip: str = "P1", usable: int = 20, tenths: int = 200) -> SemenLot:
    """Thirty drones of the first source, ten of the second."""
    parts = {bench.source: 30, bench.other: 10}
    lot = lot_open(bench.session, parts=parts, tip=tip, by=bench.by, now=NOW)
    lot_tally(lot, outcome="usable", drones=usable, by=bench.by, now=NOW)
    lot_read(lot, volume_tenths=tenths, by=bench.by, now=NOW)
    return lot


def shares(mating: Mating) -> dict[int, tuple[int | None, int | None]]:
    return {share.drone_queen_id: (share.volume_tenths, share.drones) for share in mating.shares.all()}


def test_a_mating_has_semen_and_drones_of_each_source_as_they_were_put_together(bench: Bench) -> None:
    lot = pooled(bench)
    bench.dose(0, lot, 80)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)
    mating = Mating.objects.get()
    assert (mating.kind, mating.total_tenths, mating.is_complete) == (MatingKind.POOL, 80, True)
    assert shares(mating) == {bench.source.drone_queen_id: (60, 6), bench.other.drone_queen_id: (20, 2)}


def test_a_pool_goes_into_a_mixture_with_the_parts_it_has(bench: Bench) -> None:
    third: DroneSource = bench.source
    pool, single = pooled(bench), bench.lot(tip="T9", usable=10, tenths=100)
    mixture = lots_mix(bench.session, parts={pool: 80, single: 40}, tip="M1", by=bench.by, now=NOW)
    assert mixture.semen_batch is not None
    found = {share.drone_queen_id: share.volume_tenths for share in mixture.semen_batch.shares.all()}
    assert found == {third.drone_queen_id: 100, bench.other.drone_queen_id: 20}
    assert sources_of_lot(mixture) == sorted([bench.source, bench.other], key=lambda one: one.letter)
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    with refused("source_hold"):
        bench.dose(0, mixture)


def test_what_is_traced_counted_and_credited_follows_each_source(bench: Bench) -> None:
    bench.dose(0, pooled(bench), 80)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)
    for source, drones in ((bench.source, 30), (bench.other, 10)):
        assert [one.pk for one in trace_of_source(source).queens] == [bench.queens[0].pk]
        view = source_view(source, today=bench.session.day)
        assert view.still_called(bench.session.pk, 50) == 50 - drones
    assert {one.pk for one in trace_of_queen(bench.queens[0]).sources} == {bench.source.pk, bench.other.pk}
    brought = {row.member.pk: row.brought for row in ledger_of(bench.session.season)}
    assert (brought[bench.source.member_id], brought[bench.other.member_id]) == (30, 10)


def closed(bench: Bench) -> None:
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW + MINUTE)
    bench.session.refresh_from_db()


def corrected(bench: Bench, lot: SemenLot, parts: dict[DroneSource, int]) -> None:
    lot.session = bench.session
    pool_correct(lot, parts=parts, reason="cages mixed up", by=bench.by, now=NOW + 2 * MINUTE)


def test_parts_of_a_pool_are_corrected_and_matings_ledger_and_trace_follow(bench: Bench) -> None:
    lot = pooled(bench)
    bench.dose(0, lot, 80)
    closed(bench)
    third = DroneSourceFactory(season=bench.session.season, letter="T", name="Third")
    corrected(bench, lot, {bench.source: 20, third: 20})
    assert shares(Mating.objects.get()) == {bench.source.drone_queen_id: (40, 4), third.drone_queen_id: (40, 4)}
    assert trace_of_source(bench.other).queens == []
    assert [one.pk for one in trace_of_source(third).queens] == [bench.queens[0].pk]
    brought = {row.member.pk: row.brought for row in ledger_of(bench.session.season)}
    assert (brought[bench.source.member_id], brought[third.member_id]) == (20, 20)
    assert bench.other.member_id not in brought
    standing = lot.parts.filter(undone_at=None).values_list("source", "drones")
    assert sorted(standing) == sorted([(bench.source.pk, 20), (third.pk, 20)])
    assert lot.parts.exclude(undone_at=None).count() == 2, "what was entered first stays, marked"
    row = AuditEntry.objects.get(action="session.correct")
    assert (row.before, row.note) == (
        {lot.label: f"{bench.source.name} 30, {bench.other.name} 10"},
        "cages mixed up",
    )


def test_a_mixture_made_of_a_pool_follows_its_parts_also_at_a_later_session(bench: Bench) -> None:
    pool, single = pooled(bench), bench.lot(tip="T9", usable=10, tenths=100)
    mixture = lots_mix(bench.session, parts={pool: 80, single: 40}, tip="M1", by=bench.by, now=NOW)
    bench.dose(0, mixture, 60)
    closed(bench)
    assert mixture.semen_batch is not None
    corrected(bench, pool, {bench.source: 10, bench.other: 30})
    found = {share.drone_queen_id: share.volume_tenths for share in mixture.semen_batch.shares.all()}
    assert found == {bench.source.drone_queen_id: 60, bench.other.drone_queen_id: 60}
    mixture.semen_batch.refresh_from_db()
    assert (mixture.semen_batch.is_complete, mixture.semen_batch.recorded_tenths) == (True, 120)
    assert Mating.objects.get().shared_batch == mixture.semen_batch


def test_a_correction_of_parts_says_what_is_wrong_and_leaves_all_as_it_was(bench: Bench) -> None:
    lot, single = pooled(bench), bench.lot(tip="T9")
    closed(bench)
    foreign: DroneSource = DroneSourceFactory()
    wrong: list[tuple[SemenLot, dict[DroneSource, int], str]] = [
        (lot, {}, "pool_drones"),
        (lot, {bench.source: 0}, "pool_drones"),
        (lot, {foreign: 3}, "source_unknown"),
        (single, {bench.source: 3}, "lot_not_pool"),
    ]
    for of, parts, rule in wrong:
        with refused(rule):
            corrected(bench, of, parts)
    assert sorted(lot.parts.values_list("drones", "undone_at")) == [(10, None), (30, None)]


def test_parts_of_a_source_under_hold_can_be_said_as_they_were(bench: Bench) -> None:
    lot = pooled(bench)
    closed(bench)
    bench.other.hold_since, bench.other.hold_reason = NOW.date(), "Chalky brood seen."
    bench.other.save()
    corrected(bench, lot, {bench.source: 5, bench.other: 35})
    assert [part.drones for part in lot_view(lot).lot.parts.all()] == [5, 35]


def test_the_form_starts_with_the_parts_on_record_and_is_there_only_where_there_is_a_pool(
    bench: Bench, client: Client
) -> None:
    lot = pooled(bench)
    closed(bench)
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    address = reverse("scheduling:bench_correct", args=[bench.session.pk])
    form = client.get(address + "?what=pool").context["form"]
    assert form.fields[f"source{bench.source.pk}"].initial == 30
    assert [*form.fields][-1] == "reason"
    fields = {"lot": lot.pk, f"source{bench.source.pk}": 25, f"source{bench.other.pk}": 15}
    assert client.post(address + "?what=pool", fields).status_code == 422
    assert client.post(address + "?what=pool", {**fields, "reason": "counted anew"}).status_code == 302
    parts = {part.source: part.drones for part in lot_view(lot).lot.parts.all()}
    assert parts == {bench.source: 25, bench.other: 15}
    LotPart.objects.all().delete()
    assert "what=pool" not in client.get(address).content.decode()


def test_drones_of_a_pool_are_corrected_too(bench: Bench) -> None:
    lot = pooled(bench)
    closed(bench)
    assert lot in CorrectDronesForm(session=bench.session).fields["lot"].queryset  # type: ignore[attr-defined]
    lot.session = bench.session
    tally_correct(lot, outcome="usable", drones=30, reason="misread", by=bench.by, now=NOW + 2 * MINUTE)
    assert lot_view(lot).usable == 30


def test_what_now_reckons_with_the_drones_of_a_pool_that_are_left(bench: Bench) -> None:
    lot = pooled(bench, usable=10, tenths=100)
    lot_tally(lot, outcome="none", drones=10, by=bench.by, now=NOW)
    found = what_now_of(bench.session)
    [row] = found.sources
    assert (row.now.tried, row.now.usable, row.now.left, row.now.drones_left) == (20, 10, 100, 20)
    assert [one.verdict.fate for one in found.queens] == [Fate.DOSE, Fate.DOSE, Fate.MOVE]


def planned_pool(bench: Bench) -> None:
    """Every queen of the order gets a mixture of both sources; forty drones of each are called."""
    plan = bench.places[0].plan
    plan.state, plan.number, plan.published_at = "published", 1, NOW
    plan.save()
    pool = plan.pools.create(session=bench.session, name="P1")
    for source in (bench.source, bench.other):
        pool.parts.create(source=source, volume_tenths=120)
        DroneCall.objects.create(plan=plan, session=bench.session, source=source, drones=40, volume_tenths=120)
    BenchPlace.objects.update(pool=pool)


def test_what_now_knows_lots_that_are_still_to_be_mixed(bench: Bench) -> None:
    planned_pool(bench)
    before = sources_before(bench.session, bench_page(bench.session))
    assert [(row.source, row.drones, row.needed_tenths) for row in before] == [(None, 80, 240)]
    one, other = bench.lot(tenths=150), bench.lot(source=bench.other, tip="T2", tenths=150)
    found = what_now_of(bench.session)
    [row] = found.sources
    assert (row.now.left, row.now.tried, row.now.drones_left) == (300, 40, 40)
    assert found.moving == 0
    lots_mix(bench.session, parts={one: 100, other: 100}, tip="M1", by=bench.by, now=NOW)
    assert what_now_of(bench.session).sources[0].now.left == 300


@pytest.mark.parametrize(
    "parts", [None, 7, [[1]], [["x", 3], [2, 3]], [[1, -1], [2, 2]], [[1, True], [2, 2]], [[10**8, 5], [2, 2]]]
)
def test_parts_that_cannot_be_read_are_looked_at_and_never_lost(bench: Bench, parts: object) -> None:
    device = Device(bench)
    sent: Sent = device.tap("lot_open", source=None, parts=parts, tip="P1")
    [entry] = device.send()
    assert (entry.pk, entry.state) == (sent.id, "look")
    assert entry.rule in {"unreadable", "source_unknown"}


def test_sent_twice_it_is_opened_once(bench: Bench) -> None:
    device = Device(bench)
    device.tap("lot_open", source=None, parts=[[bench.source.pk, 3], [bench.other.pk, 4]], tip="P1")
    device.send(answer=False)
    device.send()
    lot = SemenLot.objects.get()
    assert {part.source: part.drones for part in lot.parts.all()} == {bench.source: 3, bench.other: 4}
    assert lot.label.endswith("-P1")


def test_the_page_opens_a_pool_and_says_what_is_missing(bench: Bench, client: Client) -> None:
    RoleGrantFactory(person=bench.by, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(bench.by)
    address = reverse("scheduling:lot_open_pool", args=[bench.session.pk])
    fields = {f"source{bench.source.pk}": 12, "tip": "P1"}
    page = client.post(address, fields)
    assert (page.status_code, "at least two sources" in page.content.decode()) == (422, True)
    assert client.post(address, {**fields, f"source{bench.other.pk}": 5}).status_code == 302
    lot = SemenLot.objects.get()
    shown = client.get(reverse("scheduling:lot", args=[bench.session.pk, lot.pk])).content.decode()
    assert bench.source.name in shown
    assert bench.other.name in shown
    client.force_login(RoleGrantFactory(cooperative=bench.session.season.cooperative, role=Role.BREEDER).person)
    assert client.post(address, fields).status_code == 403
    client.force_login(RoleGrantFactory(role=Role.OPERATOR).person)
    assert client.post(address, fields).status_code == 404
