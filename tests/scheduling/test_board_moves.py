"""Moves on the plan board: what each bench day says to a card that is held, and taking the last move back."""

from collections.abc import Iterator
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import AuditEntry, Person, Role
from accounts.queries.history import history_rows
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from scheduling.models import Placement, Plan
from scheduling.queries import board as board_queries
from scheduling.queries.board_moves import landings
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_move, plan_move_back, plan_take_out
from tests.factories import NOW, PersonFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def it_is_now() -> Iterator[None]:
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        yield


@pytest.fixture
def world() -> PlanWorld:
    made = PlanWorld()
    made.bookings = [made.ask("Rowan 1"), made.ask("Alder 1", minutes=1)]
    return made


@pytest.fixture
def sketch(world: PlanWorld) -> Plan:
    plan = plan_ask(world.season, by=world.by, now=NOW, seconds=2)
    assert plan.job is not None
    assert job_run(plan.job.pk, now=NOW)
    return Plan.objects.get(pk=plan.pk)


def client_as(world: PlanWorld, role: str) -> Client:
    person: Person = PersonFactory()
    RoleGrantFactory(person=person, cooperative=world.season.cooperative, role=role)
    client = Client()
    client.force_login(person)
    return client


def card_of(plan: Plan, world: PlanWorld, number: int = 0) -> Placement:
    return plan.placements.select_related("booking__batch", "session", "source").get(booking=world.bookings[number])


def other_day(card: Placement, world: PlanWorld) -> int:
    return next(session.pk for session in world.sessions if session.pk != card.session_id)


def placed(plan: Plan) -> list[tuple[int, int, int | None, int]]:
    return sorted(plan.placements.values_list("booking", "session", "source", "queens"))


def test_each_day_says_whether_the_card_fits_and_nothing_is_changed(world: PlanWorld, sketch: Plan) -> None:
    card, before = card_of(sketch, world), placed(sketch)
    found = landings(sketch, world.bookings[0], source=world.source, queens=5, taken_from=card, now=NOW)
    said = {one.session.pk: (one.fits, one.words) for one in found}
    assert said == {
        card.session_id: (False, "Rowan 1 stands here."), other_day(card, world): (True, "Rowan 1 fits here"),
    }  # fmt: skip
    assert placed(sketch) == before


def test_a_full_day_says_so(world: PlanWorld, sketch: Plan) -> None:
    card = card_of(sketch, world)
    world.sessions[0].__class__.objects.filter(pk=other_day(card, world)).update(places=2)
    found = landings(sketch, world.bookings[0], source=world.source, queens=5, taken_from=card, now=NOW)
    [full] = [one for one in found if one.session.pk == other_day(card, world)]
    assert not full.fits
    assert "place" in full.words


def test_the_page_gets_days_sources_and_the_version(world: PlanWorld, sketch: Plan) -> None:
    card, client = card_of(sketch, world), client_as(world, Role.COORDINATOR)
    answer = client.get(reverse("scheduling:plan_fits", args=[sketch.pk, card.booking_id, card.pk])).json()
    assert (answer["queens"], answer["version"], answer["sources"]) == (5, sketch.version, [world.source.pk])
    assert answer["days"][str(other_day(card, world))] == {"fits": True, "words": "Rowan 1 fits here"}
    page = client.get(reverse("scheduling:plan", args=[sketch.pk])).content.decode()
    assert page.count("data-pick") == page.count("data-fits=") == 2
    assert "js/board.js" in page


def test_only_the_coordinator_asks_and_only_of_a_sketch(world: PlanWorld, sketch: Plan) -> None:
    card = card_of(sketch, world)
    address = reverse("scheduling:plan_fits", args=[sketch.pk, card.booking_id, card.pk])
    assert client_as(world, Role.OPERATOR).get(address).status_code == 404
    published = plan_publish(sketch, by=world.by, now=NOW)
    assert client_as(world, Role.COORDINATOR).get(address).status_code == 404
    page = client_as(world, Role.COORDINATOR).get(reverse("scheduling:plan", args=[published.pk])).content.decode()
    assert "data-pick" not in page
    back = reverse("scheduling:plan_move_back", args=[sketch.pk])
    assert client_as(world, Role.OPERATOR).post(back).status_code == 403


def moved(plan: Plan, world: PlanWorld) -> Plan:
    card = card_of(plan, world)
    target = next(session for session in world.sessions if session.pk != card.session_id)
    return plan_move(
        plan, booking=card.booking, session=target, source=world.source, queens=5, taken_from=card, by=world.by, now=NOW
    )


def test_the_last_move_is_taken_back(world: PlanWorld, sketch: Plan) -> None:
    before = placed(sketch)
    after = moved(sketch, world)
    assert placed(after) != before
    back = plan_move_back(after, by=world.by, now=NOW)
    assert placed(back) == before
    assert back.version == sketch.version + 2


def test_a_card_taken_out_and_one_placed_anew_go_back_too(world: PlanWorld, sketch: Plan) -> None:
    before, card = placed(sketch), card_of(sketch, world)
    out = plan_take_out(sketch, placement=card, by=world.by, now=NOW)
    assert len(placed(out)) == len(before) - 1
    assert placed(plan_move_back(out, by=world.by, now=NOW)) == before
    again = plan_take_out(out, placement=card_of(out, world), by=world.by, now=NOW)
    anew = plan_move(
        again, booking=card.booking, session=card.session, source=world.source, queens=5, by=world.by, now=NOW
    )
    assert placed(anew) == before
    assert len(placed(plan_move_back(anew, by=world.by, now=NOW))) == len(before) - 1


def test_what_was_changed_since_is_not_undone(world: PlanWorld, sketch: Plan) -> None:
    with pytest.raises(Refusal, match="changed since"):
        plan_move_back(sketch, by=world.by, now=NOW)
    after = moved(sketch, world)
    Plan.objects.filter(pk=after.pk).update(version=9)
    after.refresh_from_db()
    with pytest.raises(Refusal, match="changed since"):
        plan_move_back(after, by=world.by, now=NOW)


def test_the_message_after_a_move_takes_it_back(world: PlanWorld, sketch: Plan) -> None:
    client, card, before = client_as(world, Role.COORDINATOR), card_of(sketch, world), placed(sketch)
    values = {
        "session": other_day(card, world), "source": world.source.pk, "queens": 5, "version": sketch.version,
    }  # fmt: skip
    address = reverse("scheduling:plan_move", args=[sketch.pk, card.booking_id, card.pk])
    page = client.post(address, values, follow=True).content.decode()
    undo = reverse("scheduling:plan_move_back", args=[sketch.pk])
    assert f'action="{undo}"' in page
    assert "The move is taken back." in client.post(undo, follow=True).content.decode()
    assert placed(sketch) == before


def test_the_history_does_not_show_what_the_undo_needs(world: PlanWorld, sketch: Plan) -> None:
    moved(sketch, world)
    entry = AuditEntry.objects.get(action="plan.move")
    assert entry.after["step"]["queens"] == 5
    [row] = history_rows([entry])
    assert [change.name for change in row.changes] == ["placements"]


def test_a_board_shows_days_and_requests_by_the_page_and_asks_as_often_for_many(
    world: PlanWorld, sketch: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, url = client_as(world, Role.COORDINATOR), reverse("scheduling:plan", args=[sketch.pk])

    def asked() -> int:
        client.get(url)
        with CaptureQueriesContext(connection) as queries:
            client.get(url)
        return len(queries)

    world.ask("Late 1", minutes=2)
    few = asked()
    for number in range(2, 31):
        world.ask(f"Late {number}", minutes=number + 1)
    assert (few, asked()) == (43, 43)
    page = client.get(url).content.decode()
    assert "Requests 1 to 24 of 30" in page
    assert "150 of 160 queens have no place" in page, "the finding counts all of them"
    assert ("Late 24</a>" in page, "Late 25</a>" in page) == (True, False)
    assert "Late 25</a>" in client.get(url, {"rest": 2}).content.decode()
    assert "Later days" not in page
    monkeypatch.setattr(board_queries, "DAYS_SHOWN", 1)
    first, second = client.get(url), client.get(url, {"day": "2026-06-14"})
    assert "Bench days 1 to 1 of 2" in first.content.decode()
    assert "Bench days 2 to 2 of 2" in second.content.decode()
    for wrong in ({"day": "2026-13-40"}, {"days": "x"}, {"day": "2031-01-01"}, {"rest": "-3"}):
        assert client.get(url, wrong).status_code == 200
