"""Queens that may have been entered twice: found by their labels, and told apart."""

import datetime as dt
from collections.abc import Callable

import pytest
from django.urls import reverse

from accounts.access import Viewer, viewer_of
from accounts.models import AuditEntry, Person
from accounts.refusals import Refusal
from breeding.labels import label_alike
from breeding.models import Queen, QueensApart
from breeding.queries import duplicates as duplicates_module
from breeding.queries.duplicates import duplicate_pairs, pairs_apart
from breeding.services.apart import queens_tell_apart
from breeding.services.labels import labels_fill
from breeding.services.merges import queen_merge, queen_unmerge
from breeding.services.queens import queen_correct
from tests.breeding.conftest import Stock
from tests.breeding.twins import ClientOf, twin_of
from tests.factories import (
    NOW,
    PersonFactory,
    QueenFactory,
)

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(hours=1)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Rowan 1", "ROWAN-01", True),
        ("A12", "a 12", True),
        ("A-1-2", "A-12", False),
        ("A 10", "A 1", False),
        ("Żubr_3", "żubr 003", True),
        ("0", "00", True),
    ],
)
def test_spellings_of_one_label(one: str, other: str, same: bool) -> None:
    assert (label_alike(one) == label_alike(other)) is same


def test_pairs_are_found_for_whom_they_concern(stock: Stock, person_of: Callable[[str], Person | None]) -> None:
    twin_of(stock)
    twin_of(stock, label="Rowan.1", birth_year=2023)  # another year: another queen
    twin_of(stock, label="rowan 1 ", owner=stock.neighbour, mother=QueenFactory(owner=stock.owner, label="Birch 2"))
    QueenFactory(label="Rowan1")  # of another cooperative
    disc = {"mother": stock.queen, "birth_year": 2025, "mark_number": "41", "owner": stock.neighbour}
    QueenFactory(label="Ling 1", **disc)
    QueenFactory(label="Fell 9", **disc)
    QueenFactory(label="Fell 10", **{**disc, "mark_number": "42"})
    found = {}
    for who in ("breeder", "owner", "colleague"):
        person = person_of(who)
        assert person is not None
        viewer = viewer_of(person, stock.cooperative.pk)
        assert viewer is not None
        found[who] = [(pair.first.label, pair.second.label) for pair in duplicate_pairs(viewer).pairs]
    assert found == {
        "breeder": [("Ling 1", "Fell 9"), ("Rowan 1", "ROWAN-01"), ("ROWAN-01", "rowan 1 ")],
        "owner": [("Rowan 1", "ROWAN-01")],
        "colleague": [("Ling 1", "Fell 9")],
    }


def test_many_pairs_come_a_part_at_a_time_each_once(
    client_of: ClientOf, stock: Stock, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("Alder 1", "alder-01", "Birch 2", "BIRCH 02", "Clover 3", "clover3"):
        QueenFactory(label=name, owner=stock.owner)
    disc = {"mother": stock.queen, "birth_year": 2025, "mark_number": "41", "owner": stock.neighbour}
    QueenFactory(label="Ling 1", **disc)
    QueenFactory(label="Fell 9", **disc)
    monkeypatch.setattr(duplicates_module, "PAIRS_SHOWN", 1)
    monkeypatch.setattr(duplicates_module, "GROUPS_AT_ONCE", 1)
    client, address = client_of("breeder"), reverse("breeding:duplicates")
    pages = []
    after: str | None = ""
    while after is not None:
        answer = client.get(address, {"after": after} if after else {})
        pages.append([(pair.first.label, pair.second.label) for pair in answer.context["pairs"]])
        after = answer.context["next"]
        assert ("More than 1 pair" in answer.content.decode()) is (after is not None)
    assert pages == [
        [("Alder 1", "alder-01")],
        [("Birch 2", "BIRCH 02")],
        [("Clover 3", "clover3"), ("Ling 1", "Fell 9")],
    ]


def test_what_labels_have_in_common_follows_every_writer(
    stock: Stock, person_of: Callable[[str], Person | None]
) -> None:
    def strays() -> list[tuple[str, str | None]]:
        rows = Queen.objects.values_list("label", "alike")
        return [(label, alike) for label, alike in rows if alike != label_alike(label)]

    twin = twin_of(stock)
    assert Queen.objects.get(pk=twin.pk).alike == "rowan 1"
    queen_correct(twin, by=None, now=NOW, label="Heather 07")
    assert Queen.objects.get(pk=twin.pk).alike == "heather 7"
    merge = queen_merge(stock.queen, Queen.objects.get(pk=twin.pk), take=["label"], by=None, now=NOW)
    assert Queen.objects.get(pk=stock.queen.pk).alike == "heather 7"
    queen_unmerge(merge, by=None, now=LATER)
    assert strays() == []
    Queen.objects.filter(pk=twin.pk).update(alike=None)  # as the version before writes her
    assert strays() == [("Heather 07", None)]
    assert (labels_fill(), labels_fill(), strays()) == (1, 0, [])


def test_two_queens_that_look_like_one_are_told_apart_and_not_asked_about_again(
    client_of: ClientOf, stock: Stock
) -> None:
    client, twin = client_of("owner"), twin_of(stock)
    page, lists = (
        reverse("breeding:queen_merge", args=[stock.queen.pk, twin.pk]),
        reverse("breeding:duplicates"),
    )
    assert "1 pair may be one queen" in client.get(lists).content.decode()
    address = reverse("breeding:queens_apart", args=[twin.pk, stock.queen.pk])
    for _twice in range(2):
        assert client.post(address)["Location"] == lists
    said = QueensApart.objects.get()
    assert (said.lower_id, said.higher_id) == (stock.queen.pk, twin.pk)
    for who in ("owner", "breeder"):
        shown = client_of(who).get(lists).content.decode()
        assert "No queen seems to be entered twice" in shown
        assert "Told apart lately" in shown
    assert "Told apart lately" not in client_of("colleague").get(lists).content.decode()
    for _twice in range(2):
        client.post(reverse("breeding:queens_apart_undo", args=[stock.queen.pk, twin.pk]))
    assert page in client.get(lists).content.decode()
    told = AuditEntry.objects.filter(action__startswith="queen.apart").order_by("-pk")
    assert list(told.values_list("action", "before", "after")) == [
        ("queen.apart_undo", {"other": "ROWAN-01"}, {}), ("queen.apart", {}, {"other": "Rowan 1"}),
    ]  # fmt: skip


def test_who_was_told_apart_may_still_be_made_one_and_stays_told_apart_when_that_is_undone(stock: Stock) -> None:
    twin = twin_of(stock)
    queens_tell_apart(stock.queen, twin, by=None, now=NOW)
    merge = queen_merge(stock.queen, twin, by=None, now=NOW)
    viewer = Viewer(PersonFactory(), stock.cooperative, frozenset({"breeder"}), frozenset())
    assert pairs_apart(viewer) == []
    queen_unmerge(merge, by=None, now=LATER)
    assert [(pair.first.pk, pair.second.pk) for pair in pairs_apart(viewer)] == [(stock.queen.pk, twin.pk)]
    assert duplicate_pairs(viewer).pairs == []


def test_a_queen_is_not_told_apart_from_herself_or_a_stranger(stock: Stock) -> None:
    for other in (stock.queen, QueenFactory()):
        with pytest.raises(Refusal) as refused:
            queens_tell_apart(stock.queen, other, by=None, now=NOW)
        assert refused.value.rule == "merge_pair"
