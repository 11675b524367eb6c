"""From a queen back to every lot and hand, from a source forward to every queen; keepers are told."""

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Person, Role
from accounts.refusals import Refusal
from scheduling.models import BatchQueen, BenchPlace, DroneSource, Reminder, SemenLot
from scheduling.queries.trace import trace_of_lots, trace_of_queen, trace_of_source, trace_search
from scheduling.services.bench_correct import dose_correct
from scheduling.services.bench_queens import co2_start, co2_stop
from scheduling.services.bench_session import session_close
from scheduling.services.mixtures import lots_mix
from scheduling.services.tips import tip_change
from scheduling.services.trace import trace_tell
from tests.factories import (
    NOW,
    CooperativeFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenBatchFactory,
    RoleGrantFactory,
)
from tests.scheduling.test_bench import MINUTE, Bench

pytestmark = pytest.mark.django_db


class Traced(Bench):
    """The first queen has semen of source A, the second of a mixture of A and B, the third none; one correction."""

    def __init__(self) -> None:
        super().__init__()
        self.one = self.lot()
        co2_start(self.session, batch_queen=self.queens[0], with_insemination=True, by=self.by, now=NOW)
        tip_change(self.session, lot=self.one, tip="T1 cleaned", by=self.by, now=NOW)
        self.dose(0, self.one, resistance=True)
        co2_stop(self.session, batch_queen=self.queens[0], by=self.by, now=NOW + 3 * MINUTE)
        self.two = self.lot(source=self.other, tip="T2")
        self.mixture = lots_mix(self.session, parts={self.one: 50, self.two: 50}, tip="M1", by=self.by, now=NOW)
        BenchPlace.objects.update(source=None)
        self.dose(1, self.mixture, 60)
        session_close(self.session, reason_for_rest="dried", by=self.by, now=NOW + 30 * MINUTE)
        place = BenchPlace.objects.select_related("session", "batch_queen__queen").get(pk=self.places[1].pk)
        dose_correct(
            place, lot=self.mixture, volume_tenths=50, reason="scale misread", by=self.by, now=NOW + 60 * MINUTE
        )


@pytest.fixture
def traced() -> Traced:
    return Traced()


def test_a_queen_leads_back_to_lot_source_tip_and_gas(traced: Traced) -> None:
    found = trace_of_queen(traced.queens[0])
    assert [(one.dose.volume_tenths, one.dose.lot, one.tip, one.is_back) for one in found.doses] == [
        (80, traced.one, "T1 cleaned", False)
    ]
    assert found.sources == [traced.source]
    [lot] = found.lots
    assert (lot.view.usable, [change.tip for change in lot.tips]) == (20, ["T1 cleaned"])
    assert len(found.treatments) == 1


def test_a_mixture_leads_back_to_all_its_parts_and_keeps_what_was_corrected(traced: Traced) -> None:
    found = trace_of_queen(traced.queens[1])
    assert [(one.dose.volume_tenths, one.is_back) for one in found.doses] == [(60, True), (50, False)]
    assert {lot.view.lot for lot in found.lots} == {traced.one, traced.two, traced.mixture}
    mixture = next(lot for lot in found.lots if lot.view.lot == traced.mixture)
    assert mixture.parts == [(traced.one, 50), (traced.two, 50)]
    [row] = found.corrections
    assert (list(row.before.values()), list(row.after.values()), row.note) == (
        [f"6 µl ({traced.mixture})"],
        [f"5 µl ({traced.mixture})"],
        "scale misread",
    )


def test_a_source_leads_forward_through_mixtures_to_each_queen_once(traced: Traced) -> None:
    first, other = trace_of_source(traced.source), trace_of_source(traced.other)
    assert first.queens == [traced.queens[0], traced.queens[1]]
    assert other.queens == [traced.queens[1]]
    assert {lot.view.lot for lot in other.lots} == {traced.two, traced.mixture}
    assert trace_of_lots([traced.mixture.pk]).queens == [traced.queens[1]]
    assert first.members == [traced.batch.member]


def test_each_keeper_is_told_of_their_own_queens(traced: Traced) -> None:
    member = MemberFactory(cooperative=traced.batch.member.cooperative)
    batch = QueenBatchFactory(season=traced.batch.season, member=member)
    BatchQueen.objects.filter(pk=traced.queens[1].pk).update(batch=batch)
    assert trace_tell(traced.source, words="Do not move these nucs.", by=traced.by, now=NOW) == 2
    assert trace_tell(traced.source, words="You may move them again.", by=traced.by, now=NOW + MINUTE) == 2
    told = Reminder.objects.filter(kind="semen_news", state="wanted")
    assert {row.member for row in told} == {traced.batch.member, member}
    assert all(str(row.why).startswith("You may move them again.") for row in told)


def test_keepers_are_told_once_with_their_own_queens(traced: Traced) -> None:
    with pytest.raises(Refusal, match="Say what is so"):
        trace_tell(traced.other, words=" ", by=traced.by, now=NOW)
    assert trace_tell(traced.other, words="Do not move these nucs.", by=traced.by, now=NOW) == 1
    row = Reminder.objects.get(kind="semen_news")
    assert row.member == traced.batch.member
    assert str(traced.queens[1]) in str(row.why)
    assert str(traced.queens[0]) not in str(row.why)
    assert AuditEntry.objects.get(action="trace.tell").note == "Do not move these nucs."
    unused = DroneSource.objects.exclude(pk__in=[traced.source.pk, traced.other.pk]).first()
    assert unused is None
    SemenLot.objects.filter(pk=traced.one.pk).update(label="alone")
    trace_tell(traced.one, words="Look at them.", by=traced.by, now=NOW + MINUTE)
    assert Reminder.objects.filter(kind="semen_news", subject_type="scheduling.semenlot").count() == 1


@pytest.fixture
def people(traced: Traced) -> dict[str, Person]:
    cooperative = traced.session.season.cooperative
    found: dict[str, Person] = {"keeper": MemberPersonFactory(member=traced.batch.member).person}
    found["colleague"] = MemberPersonFactory(member=MemberFactory(cooperative=cooperative)).person
    for role in Role:
        found[role.value] = PersonFactory()
        RoleGrantFactory(person=found[role.value], cooperative=cooperative, role=role)
    found["outsider"] = PersonFactory()
    RoleGrantFactory(person=found["outsider"], cooperative=CooperativeFactory(), role=Role.COORDINATOR)
    return found


WHO = ["coordinator", "operator", "breeder", "keeper", "colleague", "outsider", "anonymous"]


@pytest.mark.parametrize(
    ("name", "thing", "method", "expected"),
    [
        ("trace", None, "get", [200, 200, 403, 403, 403, 200, 302]),
        ("trace_queen", "queen", "get", [200, 200, 403, 200, 403, 404, 302]),
        ("trace_source", "source", "get", [200, 200, 403, 403, 403, 404, 302]),
        ("trace_lot", "lot", "get", [200, 200, 403, 403, 403, 404, 302]),
        ("trace_source_tell", "source", "post", [302, 403, 403, 403, 403, 404, 302]),
        ("trace_lot_tell", "lot", "post", [302, 403, 403, 403, 403, 404, 302]),
    ],
)
def test_each_person_gets_what_is_theirs(
    name: str, thing: str | None, method: str, expected: list[int], traced: Traced, people: dict[str, Person]
) -> None:
    things = {"queen": traced.queens[0].pk, "source": traced.source.pk, "lot": traced.one.pk}
    address = reverse(f"scheduling:{name}", args=[things[thing]] if thing else [])
    got = []
    for who in WHO:
        client = Client()
        if who in people:
            client.force_login(people[who])
        got.append(getattr(client, method)(address).status_code)
    assert dict(zip(WHO, got, strict=True)) == dict(zip(WHO, expected, strict=True))


def test_the_pages_say_what_is_on_record_and_what_was_corrected(
    traced: Traced, people: dict[str, Person], client: Client
) -> None:
    client.force_login(people["coordinator"])
    page = client.get(reverse("scheduling:trace_queen", args=[traced.queens[1].pk])).content.decode()
    for words in ("<s>6 µl</s>", "scale misread", "M1", traced.by.name, "data-print"):
        assert words in page, words
    page = client.get(reverse("scheduling:trace_source", args=[traced.source.pk])).content.decode()
    assert "2 queens have semen of" in page
    assert "Tell 1 keeper" in page
    client.post(reverse("scheduling:trace_source_tell", args=[traced.source.pk]), {"words": "Shut the nucs."})
    assert Reminder.objects.filter(kind="semen_news").count() == 1


def test_the_search_finds_queens_lots_and_sources_of_the_own_cooperative(
    traced: Traced, people: dict[str, Person], client: Client
) -> None:
    client.force_login(people["operator"])
    for words in (str(traced.queens[0]), str(traced.mixture), traced.source.name):
        page = client.get(reverse("scheduling:trace"), {"q": words}).content.decode()
        assert "Nothing found" not in page, words
    assert "Nothing found" in client.get(reverse("scheduling:trace"), {"q": "no such thing"}).content.decode()
    client.force_login(people["outsider"])
    page = client.get(reverse("scheduling:trace"), {"q": str(traced.queens[0])}).content.decode()
    assert "Nothing found" in page


def test_the_number_of_queries_does_not_grow_with_the_doses(
    traced: Traced, django_assert_num_queries: "pytest.FixtureRequest"
) -> None:
    from accounts.access import viewer_of

    RoleGrantFactory(person=traced.by, cooperative=traced.session.season.cooperative, role=Role.OPERATOR)
    viewer = viewer_of(traced.by)
    assert viewer is not None
    assert [str(one) for one in trace_search(viewer, str(traced.queens[2])).queens] == []
    with django_assert_num_queries(13):  # type: ignore[operator]
        found = trace_of_source(traced.source)
        assert len(found.queens) == 2
