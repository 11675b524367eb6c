"""Queens entered twice are made one with everything that names them, and made two again."""

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.apps import apps
from django.urls import reverse

from accounts.models import AuditEntry, GuestLink
from accounts.refusals import Refusal
from accounts.services.guest_links import guest_link_make
from breeding.models import EvaluationRun, Heading, Mating, Merit, Queen, QueenMerge, Score
from breeding.queries.ranking import merges_since
from breeding.queries.references import CLASHES, STAYS, WORDS, references
from breeding.services.crosses import cross_save
from breeding.services.evaluation.nightly import nightly_ask
from breeding.services.matings import Share, mating_record, semen_batch_make
from breeding.services.merge_values import columns_of
from breeding.services.merges import queen_merge, queen_unmerge
from breeding.services.queens import queen_correct
from breeding.services.scores import score_record
from tests.breeding.conftest import Stock
from tests.breeding.twins import ClientOf, twin_of
from tests.factories import (
    NOW,
    BatchQueenFactory,
    ColonyFactory,
    DroneSourceFactory,
    HeadingFactory,
    PersonFactory,
    QueenBatchFactory,
    QueenFactory,
    SeasonFactory,
)

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(hours=1)


def refusal_of(kept: Queen, other: Queen, **take: Any) -> Refusal:
    before = everything()
    with pytest.raises(Refusal) as caught:
        queen_merge(kept, other, by=None, now=NOW, **take)
    assert everything() == before
    return caught.value


def everything() -> dict[str, list[dict[str, Any]]]:
    """Every row of the stock, and every row that names a queen, but for the merges themselves and counters."""
    models = {reference.model for reference in references()} | {Queen} - {QueenMerge}
    return {
        model._meta.label: [
            {name: value for name, value in columns_of(row).items() if name != "version"}
            for row in model._base_manager.order_by("pk")
        ]
        for model in models
        if model is not QueenMerge
    }


def filled(stock: Stock) -> Queen:
    """A second row of Rowan 1 on which one thing of each kind hangs."""
    twin = twin_of(stock, note="From the second list", mark_number="12")
    member, here = stock.owner, stock.cooperative
    QueenFactory(owner=member, label="Daughter", mother=twin, birth_year=2025)
    old = HeadingFactory(
        colony=ColonyFactory(apiary=stock.apiary, name="8"),
        queen=twin,
        since=dt.date(2024, 7, 1),
        until=dt.date(2024, 9, 1),
    )
    day, trait = dt.date(2024, 8, 1), stock.traits["gentleness"]
    score_record(old.colony, trait=trait, scored_on=day, value=Decimal(4), by=None, now=NOW)
    one, two = QueenFactory(owner=member, label="A"), QueenFactory(owner=member, label="B")
    mating_record(
        one, kind="pool", shares=[Share(twin, 40, 4), Share(two, 20, 2)], mated_on=dt.date(2025, 7, 1), by=None, now=NOW
    )
    mating_record(two, kind="station", station_mother=twin, mated_on=dt.date(2025, 7, 1), by=None, now=NOW)
    semen_batch_make(here, label="Mixture", shares=[Share(twin, 50, 5), Share(one, 10, 1)], by=None, now=NOW)
    cross_save(here, mother=twin, shares={one: 1}, season_year=2026, by=None, now=NOW)
    cross_save(here, mother=two, shares={twin: 1}, season_year=2026, by=None, now=NOW)
    guest_link_make(twin, name="Buyer", days=30, cooperative=here, by=PersonFactory(), now=NOW)
    season = SeasonFactory(cooperative=here)
    DroneSourceFactory(season=season, member=member, drone_queen=twin)
    QueenBatchFactory(season=season, member=member, mother=twin)
    BatchQueenFactory(batch=QueenBatchFactory(season=season, member=member), queen=twin)
    run = run_of(stock)
    for queen, merit in ((stock.queen, 1.0), (twin, 0.5)):
        Merit.objects.create(run=run, queen=queen, merit=merit, merit_error=0.4, reliability=0.5)
    Merit.objects.create(run=run_of(stock, 2), queen=twin, merit=0.7, merit_error=0.4, reliability=0.5)
    return twin


def run_of(stock: Stock, number: int = 1, **but: Any) -> EvaluationRun:
    facts = {"made_at": NOW, "records_until": NOW.date(), "queens": 2, "records": 1, "parameters": {}, "solver": {}}
    return EvaluationRun.objects.create(cooperative=stock.cooperative, number=number, **{**facts, **but})


def test_every_column_that_names_a_queen_has_its_words() -> None:
    """Whoever adds a relation to queens says here what becomes of it when two are made one."""
    assert {reference.key for reference in references()} == set(WORDS)
    assert set(CLASHES) <= set(WORDS)
    named = {
        f"{model._meta.label_lower}.{field.name}"
        for model in apps.get_models()
        for field in [*model._meta.concrete_fields, *model._meta.local_many_to_many]
        if field.related_model is Queen or (field.name == "subject_id" and hasattr(model, "subject_type"))
    }
    assert named - STAYS == set(WORDS)


def test_a_forgotten_relation_forbids_it_instead_of_losing_rows(stock: Stock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(WORDS, "breeding.score.queen")
    assert refusal_of(stock.queen, twin_of(stock)).rule == "merge_unknown"


def test_everything_that_named_the_other_row_names_the_kept_one(stock: Stock) -> None:
    twin, person = filled(stock), PersonFactory()
    hung = {reference.key: set(reference.rows(twin.pk).values_list("pk", flat=True)) for reference in references()}
    assert [key for key, pks in hung.items() if not pks] == [
        *(
            "breeding.mating.queen",
            "breeding.traitvalue.queen",
            "breeding.queenmerge.kept",
            "scheduling.reminder.subject_id",
        )
    ]
    merge = queen_merge(stock.queen, twin, by=person, now=LATER, take=["mark_number"])
    assert not Queen.objects.filter(pk=twin.pk).exists()
    lost = {"breeding.merit.queen"}  # one of two results of one run
    for reference in references():
        assert not reference.rows(twin.pk).exists()
        now = set(reference.rows(stock.queen.pk).values_list("pk", flat=True))
        assert hung[reference.key] <= now or reference.key in lost
    assert list(
        Merit.objects.filter(queen=stock.queen).order_by("run__number").values_list("run__number", "merit")
    ) == [
        (1, 1.0),
        (2, 0.7),
    ]
    stock.queen.refresh_from_db()
    assert (stock.queen.label, stock.queen.mark_number, stock.queen.note, stock.queen.status) == (
        *("Rowan 1", "12", "From the second list", "mated"),
    )
    entry = AuditEntry.objects.get(action="queen.merge")
    assert (entry.subject_id, entry.by, entry.before, entry.after) == (
        stock.queen.pk,
        person,
        {"other": "ROWAN-01", "mark_number": "", "note": ""},
        {"mark_number": "12", "note": "From the second list"},
    )
    assert queen_merge(stock.queen, twin, by=person, now=LATER) == merge
    assert QueenMerge.objects.count() == 1


def test_undoing_puts_every_row_back(stock: Stock) -> None:
    twin = filled(stock)
    before = everything()
    merge = queen_merge(stock.queen, twin, by=None, now=LATER, take=["label", "mark_number", "mother"])
    assert everything() != before
    assert Queen.objects.get(pk=stock.queen.pk).label == "ROWAN-01"
    for _twice in range(2):
        queen_unmerge(merge, by=None, now=LATER)
        assert everything() == before
    assert list(AuditEntry.objects.filter(action="queen.unmerge").values_list("subject_id", flat=True)) == [
        stock.queen.pk
    ]


@pytest.mark.parametrize("more", ["kept", "other"])
def test_of_two_matings_that_agree_the_one_that_says_more_stays(stock: Stock, more: str) -> None:
    sources = [QueenFactory(owner=stock.owner, birth_year=2023) for _ in range(2)]
    kept, other = QueenFactory(owner=stock.owner, label="K 1"), QueenFactory(owner=stock.owner, label="K-1")
    for queen, name in ((kept, "kept"), (other, "other")):
        shares = [Share(sources[0], 40, 4), Share(sources[1], 40, 4)]
        day = dt.date(2025, 6, 1) if name == more else None
        mating_record(queen, kind="pool", shares=shares, mated_on=day, by=None, now=NOW)
    before = everything()
    merge = queen_merge(kept, other, by=None, now=LATER)
    mating = Mating.objects.get(queen=kept)
    assert (mating.mated_on, mating.is_complete, mating.recorded_tenths) == (dt.date(2025, 6, 1), True, 80)
    assert not Mating.objects.filter(queen=other.pk).exists()
    queen_unmerge(merge, by=None, now=LATER)
    assert everything() == before


def test_matings_that_contradict_each_other_are_refused(stock: Stock) -> None:
    twin = twin_of(stock)
    mating_record(twin, kind="dpq", shares=[Share(QueenFactory(owner=stock.owner, birth_year=2022))], by=None, now=NOW)
    refusal = refusal_of(stock.queen, twin)
    assert refusal.rule == "merge_matings"
    assert "Correct one of the two" in refusal.text


def test_one_queen_cannot_head_two_colonies_at_one_time(stock: Stock) -> None:
    twin = twin_of(stock)
    elsewhere = HeadingFactory(
        colony=ColonyFactory(apiary=stock.apiary, name="9"),
        queen=twin,
        since=dt.date(2025, 5, 1),
        until=dt.date(2025, 6, 1),
    )
    assert refusal_of(stock.queen, twin).text == (
        "On Thu 1 May 2025 she would head two colonies, Orchard 7 and Orchard 9. Say in one of them when she left it."
    )
    Heading.objects.filter(pk=elsewhere.pk).update(since=dt.date(2025, 3, 1), until=stock.heading.since)
    queen_merge(stock.queen, twin, by=None, now=LATER)
    assert Heading.objects.filter(queen=stock.queen).count() == 2


def test_she_who_heads_a_colony_is_not_gone(stock: Stock) -> None:
    twin = twin_of(stock, status="gone", gone_on=dt.date(2026, 1, 1))
    assert refusal_of(stock.queen, twin, take=["status"]).rule == "merge_gone"
    queen_merge(stock.queen, twin, by=None, now=LATER)
    assert Queen.objects.get(pk=stock.queen.pk).status == "mated"


def loops(stock: Stock) -> dict[str, tuple[Queen, Queen]]:
    """Pairs that would make a loop, by how."""
    kept, other = (QueenFactory(owner=stock.owner, birth_year=None) for _ in range(2))
    grown = QueenFactory(owner=stock.owner, mother=kept, birth_year=None)
    mating_record(other, kind="dpq", shares=[Share(grown)], by=None, now=NOW)
    source = QueenFactory(owner=stock.owner, birth_year=None)
    mated = QueenFactory(owner=stock.owner, birth_year=None)
    mating_record(mated, kind="dpq", shares=[Share(source)], by=None, now=NOW)
    late = QueenFactory(owner=stock.owner, mother=mated, birth_year=None)
    return {
        "mother and daughter": (grown, kept),
        "daughter and mother": (kept, grown),
        "semen of a daughter's drones": (kept, other),
        "the same from the other side": (other, kept),
        "her drones in her own grandmother": (late, source),
    }


@pytest.mark.parametrize(
    "how",
    [
        *("mother and daughter", "daughter and mother", "semen of a daughter's drones"),
        *("the same from the other side", "her drones in her own grandmother"),
    ],
)
def test_a_loop_in_the_pedigree_is_refused(stock: Stock, how: str) -> None:
    kept, other = loops(stock)[how]
    assert refusal_of(kept, other).rule == "loop"


def test_a_mother_younger_than_a_daughter_is_refused(stock: Stock) -> None:
    twin = twin_of(stock, birth_year=None)
    QueenFactory(owner=stock.owner, label="Daughter", mother=twin, birth_year=2023)
    assert refusal_of(stock.queen, twin).rule == "mother_older"


def test_drones_of_both_in_one_mating_are_refused(stock: Stock) -> None:
    twin, mated = twin_of(stock), QueenFactory(owner=stock.owner, label="Mated")
    shares = [Share(stock.queen, 40, 4), Share(twin, 20, 2)]
    mating_record(mated, kind="pool", shares=shares, mated_on=dt.date(2025, 7, 1), by=None, now=NOW)
    assert refusal_of(stock.queen, twin).text == (
        "Both gave drones to one mating: Mated: ROWAN-01. Correct that mating first, so that she stands there once."
    )


def test_two_sources_of_one_season_are_refused_until_one_is_withdrawn(stock: Stock) -> None:
    twin, season = twin_of(stock), SeasonFactory(cooperative=stock.cooperative)
    first, _second = (
        DroneSourceFactory(season=season, member=stock.owner, drone_queen=one) for one in (stock.queen, twin)
    )
    assert refusal_of(stock.queen, twin).rule == "merge_clash"
    type(first).objects.filter(pk=first.pk).update(withdrawn_at=NOW)
    queen_merge(stock.queen, twin, by=None, now=LATER)
    assert type(first).objects.filter(drone_queen=stock.queen).count() == 2


def test_queens_of_two_cooperatives_and_one_row_twice_are_refused(stock: Stock) -> None:
    assert refusal_of(stock.queen, QueenFactory()).rule == "merge_pair"
    assert refusal_of(stock.queen, stock.queen).rule == "merge_pair"


NEWER: dict[str, Callable[[Stock, Queen], object]] = {
    "a daughter": lambda stock, kept: QueenFactory(owner=stock.owner, mother=kept, birth_year=2025),
    "a correction": lambda stock, kept: queen_correct(kept, mark_number="7", by=None, now=LATER),
    "the label": lambda stock, kept: QueenFactory(owner=stock.owner, label="rowan-01"),
    "another merge": lambda stock, kept: queen_merge(kept, twin_of(stock, label="Rowan 001"), by=None, now=LATER),
    "a score that went": lambda stock, kept: Score.objects.filter(queen=kept).delete(),
}


@pytest.mark.parametrize("what", NEWER)
def test_undoing_is_refused_when_something_newer_depends_on_it(stock: Stock, what: str) -> None:
    merge = queen_merge(stock.queen, twin_of(stock), by=None, now=NOW)
    NEWER[what](stock, Queen.objects.get(pk=stock.queen.pk))
    before = everything()
    with pytest.raises(Refusal, match="They cannot be made two again") as caught:
        queen_unmerge(merge, by=None, now=LATER)
    assert caught.value.rule == "unmerge_newer"
    assert everything() == before
    merge.refresh_from_db()
    assert merge.undone_at is None


def test_new_values_of_an_evaluation_do_not_forbid_undoing(stock: Stock) -> None:
    merge = queen_merge(stock.queen, twin_of(stock), by=None, now=NOW)
    run = run_of(stock, made_at=LATER)
    Merit.objects.create(run=run, queen=stock.queen, merit=1, merit_error=0.4, reliability=0.5)
    queen_unmerge(merge, by=None, now=LATER)
    assert Queen.objects.filter(label="ROWAN-01").exists()


def test_an_evaluation_from_before_is_out_of_date(stock: Stock) -> None:
    made = NOW + dt.timedelta(minutes=1)
    run = run_of(stock, made_at=made)
    night = NOW + dt.timedelta(days=1)
    assert (merges_since(run), nightly_ask(now=night)) == (0, [])
    queen_merge(stock.queen, twin_of(stock), by=None, now=LATER)
    assert merges_since(run) == 1
    assert [job.kind for job in nightly_ask(now=night)] == ["evaluation"]


def test_a_breeder_makes_two_rows_one_and_two_again_on_the_pages(client_of: ClientOf, stock: Stock) -> None:
    client, twin = client_of("breeder"), twin_of(stock, mark_number="12", owner=stock.neighbour)
    listed = client.get(reverse("breeding:duplicates")).content.decode()
    page = reverse("breeding:queen_merge", args=[stock.queen.pk, twin.pk])
    assert page in listed
    named = client.get(reverse("breeding:duplicates"), {"first": "Rowan 1", "second": "rowan-01"})
    assert named["Location"] == page
    shown = client.get(page).content.decode()
    for text in ("Are Rowan 1 and ROWAN-01 one queen?", "Old Rowan", "Fellside", "Moorside", "Scores"):
        assert text in shown
    incomplete = client.post(page, {"agreed": "1"})
    assert (incomplete.status_code, Queen.objects.filter(pk=twin.pk).exists()) == (422, True)
    choices = {"label": "kept", "owner": "other", "mother": "kept", "line": "kept", "mark_number": "other"}
    made = client.post(page, choices)
    assert made["Location"] == reverse("breeding:queen", args=[stock.queen.pk])
    stock.queen.refresh_from_db()
    assert (stock.queen.owner, stock.queen.mark_number) == (stock.neighbour, "12")
    assert client.get(reverse("breeding:queen", args=[twin.pk]))["Location"] == made["Location"]
    assert "made one with a row that was the same queen" in client.get(made["Location"]).content.decode()
    merge = QueenMerge.objects.get()
    assert str(merge) in client.get(reverse("breeding:duplicates")).content.decode()
    client.post(reverse("breeding:queen_unmerge", args=[merge.pk]))
    assert Queen.objects.get(pk=twin.pk).mark_number == "12"


def test_what_stands_against_it_is_said_on_the_page(client_of: ClientOf, stock: Stock) -> None:
    twin = twin_of(stock)
    Mating.objects.create(queen=twin, kind="station", place="Holm")
    page = reverse("breeding:queen_merge", args=[stock.queen.pk, twin.pk])
    shown = client_of("owner").get(page).content.decode()
    assert "Rowan 1 and ROWAN-01 cannot be one queen as they stand" in shown
    assert "have matings that say different things" in shown
    answer = client_of("owner").post(page, {"label": "kept", "mother": "kept", "line": "kept"})
    assert answer.status_code == 422
    assert "have matings that say different things" in answer.content.decode()
    assert GuestLink.objects.count() == 0
