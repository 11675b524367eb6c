"""Matings of every kind: what belongs to each, what is refused, what the history keeps."""

import datetime as dt
from typing import Any

import pytest

from accounts.models import AuditEntry, Member
from accounts.refusals import Refusal
from breeding.models import Mating, MatingShare, Queen, QueenStatus, SemenBatch
from breeding.services.matings import (
    Share,
    mating_correct,
    mating_record,
    mating_withdraw,
    semen_batch_make,
    semen_batch_withdraw,
)
from tests.factories import NOW, MatingFactory, MemberFactory, PersonFactory, QueenFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Member:
    return MemberFactory()


def _record(queen: Queen, kind: str, **facts: Any) -> Mating:
    return mating_record(queen, kind=kind, by=PersonFactory(), now=NOW, **facts)


def test_a_pool_with_volumes_is_complete_and_its_shares_sum_up(owner: Member) -> None:
    queen = QueenFactory(owner=owner, birth_year=2025)
    first, second = QueenFactory(owner=owner), QueenFactory(owner=owner)
    mating = _record(queen, "pool", shares=[Share(first, 50, 5), Share(second, 30)], mated_on=dt.date(2025, 6, 9))
    mating.refresh_from_db()
    queen.refresh_from_db()
    assert (mating.total_tenths, mating.recorded_tenths, mating.is_complete) == (80, 80, True)
    assert queen.status == QueenStatus.MATED
    assert list(mating.shares.values_list("drone_queen", "volume_tenths", "drones")) == [
        (first.pk, 50, 5),
        (second.pk, 30, None),
    ]


def test_a_typed_mating_with_unknown_volumes_stays_open(owner: Member) -> None:
    mating = _record(QueenFactory(owner=owner), "dpq", shares=[Share(QueenFactory(owner=owner))])
    assert (mating.total_tenths, mating.is_complete) == (None, False)


def test_the_whole_dose_of_one_source_is_her_share(owner: Member) -> None:
    mating = _record(QueenFactory(owner=owner), "dpq", shares=[Share(QueenFactory(owner=owner))], total_tenths=85)
    assert (mating.shares.get().volume_tenths, mating.is_complete) == (85, True)


def test_one_single_drone_is_one_drone(owner: Member) -> None:
    mating = _record(QueenFactory(owner=owner), "single_drone", shares=[Share(QueenFactory(owner=owner))])
    assert mating.shares.get().drones == 1


def test_a_shared_batch_serves_several_queens(owner: Member) -> None:
    sources = [QueenFactory(owner=owner) for _ in range(2)]
    batch = semen_batch_make(
        owner.cooperative,
        label="Mix 1",
        shares=[Share(sources[0], 300, 31), Share(sources[1], 200)],
        by=PersonFactory(),
        now=NOW,
    )
    batch.refresh_from_db()
    assert (batch.total_tenths, batch.recorded_tenths, batch.is_complete) == (500, 500, True)
    matings = [_record(QueenFactory(owner=owner), "batch", shared_batch=batch, total_tenths=80) for _ in range(2)]
    assert {mating.shared_batch for mating in matings} == {batch}
    assert MatingShare.objects.count() == 0
    with pytest.raises(Refusal) as refusal:
        semen_batch_withdraw(batch, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "batch_in_use"


def test_a_batch_that_was_not_made_after_all_is_taken_back_with_its_parts_on_record(owner: Member) -> None:
    source = _source(owner)
    batch = semen_batch_make(owner.cooperative, label="Mix", shares=[Share(source, 80)], by=None, now=NOW)
    semen_batch_withdraw(batch, by=PersonFactory(), now=NOW)
    assert not SemenBatch.objects.exists()
    kept = AuditEntry.objects.get(action="semen_batch.withdraw").before
    assert (kept["label"], kept["total_tenths"], len(kept["shares"])) == ("Mix", 80, 1)


def test_station_and_open_mating_keep_what_is_known(owner: Member) -> None:
    mother = QueenFactory(owner=owner)
    station = _record(
        QueenFactory(owner=owner), "station", station_mother=mother, station_queens=6, drones=10, place="Moor"
    )
    assert (station.station_mother, station.station_queens, station.drones, station.place) == (mother, 6, 10, "Moor")
    openly = _record(QueenFactory(owner=owner), "open", place="Home", station_queens=4)
    assert (openly.drones, openly.place, openly.station_queens) == (None, "Home", None)


def _source(owner: Member, **fields: Any) -> Queen:
    return QueenFactory(owner=owner, **fields)


@pytest.mark.parametrize(
    ("kind", "facts", "rule"),
    [
        ("other", {}, "mating_kind"),
        ("dpq", {}, "source_missing"),
        ("dpq", {"shares": 2}, "one_source"),
        ("pool", {"shares": 1}, "several_sources"),
        ("open", {"shares": 1}, "no_sources_here"),
        ("station", {}, "station_missing"),
        ("batch", {}, "batch_missing"),
        ("open", {"drones": 0}, "drones_positive"),
        ("open", {"mated_on": dt.date(2026, 6, 10)}, "future_day"),
        ("open", {"mated_on": dt.date(2023, 6, 1)}, "mated_before_emergence"),
        ("pool", {"volumes": [50, None]}, "volume_all_or_none"),
        ("pool", {"volumes": [50, 30], "total_tenths": 90}, "shares_sum_up"),
        ("pool", {"volumes": [50, 0]}, "volume_positive"),
        ("pool", {"volumes": [5000, 30]}, "volume_range"),
    ],
)
def test_what_does_not_fit_the_kind_is_refused(owner: Member, kind: str, facts: dict[str, Any], rule: str) -> None:
    facts = dict(facts)
    if "volumes" in facts:
        facts["shares"] = [Share(_source(owner), volume) for volume in facts.pop("volumes")]
    elif "shares" in facts:
        facts["shares"] = [Share(_source(owner)) for _ in range(facts["shares"])]
    queen = QueenFactory(owner=owner, birth_year=2024)
    with pytest.raises(Refusal) as refusal:
        _record(queen, kind, **facts)
    assert refusal.value.rule == rule
    queen.refresh_from_db()
    assert (Mating.objects.count(), queen.status) == (0, QueenStatus.VIRGIN)


def test_the_same_source_twice_is_refused(owner: Member) -> None:
    source = _source(owner, label="Fell 3")
    with pytest.raises(Refusal, match="Fell 3") as refusal:
        _record(QueenFactory(owner=owner), "pool", shares=[Share(source, 40), Share(source, 40)])
    assert refusal.value.rule == "source_twice"


def test_sources_of_another_cooperative_are_refused(owner: Member) -> None:
    other = MemberFactory()
    batch = semen_batch_make(
        other.cooperative, label="Mix", shares=[Share(QueenFactory(owner=other), 80)], by=None, now=NOW
    )
    cases: list[tuple[str, dict[str, Any]]] = [
        ("dpq", {"shares": [Share(QueenFactory(owner=other))]}),
        ("batch", {"shared_batch": batch}),
        ("station", {"station_mother": QueenFactory(owner=other)}),
    ]
    for kind, facts in cases:
        with pytest.raises(Refusal) as refusal:
            _record(QueenFactory(owner=owner), kind, **facts)
        assert refusal.value.rule == "other_cooperative"


def test_drones_of_a_younger_queen_are_refused(owner: Member) -> None:
    with pytest.raises(Refusal) as refusal:
        _record(
            QueenFactory(owner=owner, birth_year=2024),
            "dpq",
            shares=[Share(_source(owner, birth_year=2025))],
            mated_on=dt.date(2024, 7, 1),
        )
    assert refusal.value.rule == "source_older"


def test_drones_of_a_descendant_are_refused_but_own_sons_are_possible(owner: Member) -> None:
    queen = QueenFactory(owner=owner, birth_year=None)
    daughter = QueenFactory(owner=owner, mother=queen, birth_year=None)
    with pytest.raises(Refusal) as refusal:
        _record(queen, "dpq", shares=[Share(daughter)])
    assert refusal.value.rule == "loop"
    with pytest.raises(Refusal) as refusal:
        _record(queen, "station", station_mother=daughter)
    assert refusal.value.rule == "loop"
    assert _record(queen, "dpq", shares=[Share(queen)]).shares.get().drone_queen == queen


def test_recording_twice_changes_nothing_and_another_mating_is_refused(owner: Member) -> None:
    queen, source = QueenFactory(owner=owner), QueenFactory(owner=owner)
    first = _record(queen, "dpq", shares=[Share(source, 80)])
    assert _record(queen, "dpq", shares=[Share(source, 80)]) == first
    assert AuditEntry.objects.filter(action="mating.record").count() == 1
    with pytest.raises(Refusal) as refusal:
        _record(queen, "open")
    assert refusal.value.rule == "already_mated"


def test_a_correction_replaces_the_shares_and_keeps_the_earlier_ones_in_the_history(owner: Member) -> None:
    first, second = QueenFactory(owner=owner), QueenFactory(owner=owner)
    mating = _record(QueenFactory(owner=owner), "dpq", shares=[Share(first, 80)])
    mating_correct(mating, by=PersonFactory(), now=NOW, kind="pool", shares=[Share(first, 40), Share(second, 20)])
    mating.refresh_from_db()
    assert (mating.kind, mating.total_tenths, mating.recorded_tenths, mating.is_complete) == ("pool", 60, 60, True)
    entry = AuditEntry.objects.get(action="mating.correct")
    assert [share["volume_tenths"] for share in entry.before["shares"]] == [80]
    assert [share["volume_tenths"] for share in entry.after["shares"]] == [40, 20]
    mating_correct(mating, by=PersonFactory(), now=NOW, kind="pool", shares=[Share(first, 40), Share(second, 20)])
    assert AuditEntry.objects.filter(action="mating.correct").count() == 1


def test_a_mating_on_which_daughters_depend_is_not_withdrawn(owner: Member) -> None:
    mating = MatingFactory(queen=QueenFactory(owner=owner, status=QueenStatus.MATED))
    daughter = QueenFactory(owner=owner, mother=mating.queen)
    with pytest.raises(Refusal) as refusal:
        mating_withdraw(mating, by=PersonFactory(), now=NOW)
    assert refusal.value.rule == "mating_in_use"
    daughter.delete()
    mating_withdraw(mating, by=PersonFactory(), now=NOW, note="Wrong queen")
    assert Mating.objects.count() == 0
    assert Queen.objects.get(pk=mating.queen_id).status == QueenStatus.VIRGIN
    assert AuditEntry.objects.get(action="mating.withdraw").before["kind"] == "open"


@pytest.mark.parametrize(
    ("label", "volumes", "rule"),
    [
        ("", [80], "label_missing"),
        ("Mix", [], "source_missing"),
        ("Mix", [None], "batch_volumes"),
        ("Old", [80], "label_taken"),
    ],
)
def test_a_batch_needs_label_sources_and_volumes(owner: Member, label: str, volumes: list[Any], rule: str) -> None:
    semen_batch_make(owner.cooperative, label="Old", shares=[Share(_source(owner), 80)], by=None, now=NOW)
    with pytest.raises(Refusal) as refusal:
        semen_batch_make(
            owner.cooperative, label=label, shares=[Share(_source(owner), v) for v in volumes], by=None, now=NOW
        )
    assert refusal.value.rule == rule
    assert SemenBatch.objects.count() == 1
