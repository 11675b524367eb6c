"""Moves on the plan board: what each bench day says to a card that is held, and taking the last move back."""

import datetime as dt
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
from scheduling.models import BenchSession, Booking, BookingSource, Placement, Plan, PlanPool
from scheduling.queries import board as board_queries
from scheduling.queries.board_moves import landings
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_move, plan_move_back, plan_take_out
from tests.factories import (
    NOW,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    PersonFactory,
    RoleGrantFactory,
)
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
    assert answer["days"][str(other_day(card, world))] == {
        "fits": True, "words": "Rowan 1 fits here", "semen": str(world.source),
    }  # fmt: skip
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


class Mixed(PlanWorld):
    """One request of five queens for mixed semen of three sources, placed on a bench day with mixtures of two."""

    def __init__(self) -> None:
        super().__init__(days=(12, 14, 15))
        self.others = [DroneSourceFactory(season=self.season) for _number in range(2)]
        for other in self.others:
            cohort = DroneCohortFactory(source=other, comb_in_on=dt.date(2026, 4, 28))
            DroneCountFactory(cohort=cohort, kind="capped", counted_on=dt.date(2026, 5, 12), number=1500)
        self.booking = self.ask("Rowan 1")
        Booking.objects.filter(pk=self.booking.pk).update(mode="pool")
        self.booking.refresh_from_db()
        for other in self.others:
            BookingSourceFactory(booking=self.booking, source=other, merit=0.4, inbreeding=0.02, viability=0.93)
        self.sketch = Plan.objects.create(season=self.season, state="sketch", created_at=NOW, created_by=self.by)
        pool = PlanPool.objects.create(plan=self.sketch, session=self.sessions[0], name="kept")
        dose = self.booking.dose_tenths * 5
        for source, share in ((self.source, 3), (self.others[0], 2)):
            pool.parts.create(source=source, volume_tenths=dose * share / 5)
        self.card = Placement.objects.create(
            plan=self.sketch, booking=self.booking, session=self.sessions[0], pool=pool, queens=5, co2_after=5
        )

    def move(self, to: int, queens: int, taken_from: Placement | None) -> None:
        self.sketch.refresh_from_db()
        session = self.sessions[to]
        plan_move(
            self.sketch,
            booking=self.booking,
            session=session,
            queens=queens,
            taken_from=taken_from,
            by=self.by,
            now=NOW,
        )

    def card_on(self, day: int) -> Placement:
        return Placement.objects.get(plan=self.sketch, session=self.sessions[day])

    def stands(self) -> dict[int, tuple[int, dict[int, float]]]:
        """By bench day: queens, and how much of each source is in their mixture. [0.1 µl]"""
        return {
            self.sessions.index(row.session): (
                row.queens,
                {part.source_id: float(part.volume_tenths) for part in row.pool.parts.all()} if row.pool else {},
            )
            for row in Placement.objects.filter(plan=self.sketch).select_related("session", "pool")
        }

    def fits(self, taken_from: Placement | None) -> dict[int, tuple[bool, str, str]]:
        queens = taken_from.queens if taken_from else 5
        found = landings(self.sketch, self.booking, queens=queens, taken_from=taken_from, now=NOW)
        return {self.sessions.index(one.session): (one.fits, one.words, one.semen) for one in found}


@pytest.fixture
def mixed() -> Mixed:
    return Mixed()


def test_a_card_in_mixed_semen_takes_its_mixture_along_and_back(mixed: Mixed) -> None:
    one, two = mixed.source, mixed.others[0]
    dose, said = mixed.booking.dose_tenths, ", ".join(sorted([str(one), str(two)]))
    assert mixed.fits(mixed.card) == {
        0: (False, "Rowan 1 stands here.", ""),
        1: (True, "Rowan 1 fits here", f"{said}, mixed"),
        2: (True, "Rowan 1 fits here", f"{said}, mixed"),
    }
    before = mixed.stands()
    mixed.move(1, 5, mixed.card)
    assert mixed.stands() == {1: (5, {one.pk: 3 * dose, two.pk: 2 * dose})}
    mixed.sketch.refresh_from_db()
    plan_move_back(mixed.sketch, by=mixed.by, now=NOW)
    assert mixed.stands() == before
    assert mixed.card_on(0).pool.name == "kept"  # type: ignore[union-attr]


def test_a_part_of_a_card_takes_its_part_along_joins_what_is_there_and_goes_back(mixed: Mixed) -> None:
    one, two, dose = mixed.source, mixed.others[0], mixed.booking.dose_tenths

    def of(queens: int) -> tuple[int, dict[int, float]]:
        return queens, {one.pk: dose * queens * 0.6, two.pk: dose * queens * 0.4}

    mixed.move(1, 2, mixed.card)
    assert mixed.stands() == {0: of(3), 1: of(2)}
    mixed.move(1, 1, mixed.card_on(0))  # joins the two
    assert mixed.stands() == {0: of(2), 1: of(3)}
    mixed.sketch.refresh_from_db()
    with pytest.raises(Refusal, match="stand there too"):
        plan_move_back(mixed.sketch, by=mixed.by, now=NOW)
    plan_take_out(mixed.sketch, placement=mixed.card_on(1), by=mixed.by, now=NOW)
    assert mixed.stands() == {0: of(2)}
    mixed.sketch.refresh_from_db()
    plan_move_back(mixed.sketch, by=mixed.by, now=NOW)
    assert mixed.stands() == {0: of(2), 1: of(3)}


def test_queens_for_mixed_semen_that_have_no_place_get_a_mixture_in_equal_parts(mixed: Mixed) -> None:
    plan_take_out(mixed.sketch, placement=mixed.card, by=mixed.by, now=NOW)
    assert mixed.stands() == {}
    mixed.move(2, 5, None)
    [(queens, parts)] = mixed.stands().values()
    assert (queens, set(parts.values())) == (5, {mixed.booking.dose_tenths * 5 / 2})
    assert len(parts) == 2


def test_mixed_semen_is_refused_by_the_rules_like_any_other(mixed: Mixed) -> None:
    BenchSession.objects.filter(pk=mixed.sessions[1].pk).update(places=2)
    BookingSource.objects.filter(booking=mixed.booking).exclude(source=mixed.source).delete()
    fits = mixed.fits(mixed.card)
    assert (fits[1][0], fits[2][0]) == (False, False)
    before = mixed.stands()
    for to in (0, 1, 2):
        with pytest.raises(Refusal):
            mixed.move(to, 5, mixed.card)
    with pytest.raises(Refusal, match="not so many queens"):
        mixed.move(2, 6, mixed.card)
    with pytest.raises(Refusal, match="another way of mating"):
        plan_move(
            mixed.sketch, booking=mixed.booking, session=mixed.sessions[2], source=mixed.source, queens=5,
            taken_from=mixed.card, by=mixed.by, now=NOW,
        )  # fmt: skip
    assert mixed.stands() == before


def test_the_page_moves_a_card_in_mixed_semen_without_asking_for_a_source(mixed: Mixed) -> None:
    client, card = client_as(mixed, Role.COORDINATOR), mixed.card
    fits = client.get(reverse("scheduling:plan_fits", args=[mixed.sketch.pk, card.booking_id, card.pk])).json()
    assert (fits["source"], fits["sources"], fits["queens"]) == (None, [], 5)
    assert fits["days"][str(mixed.sessions[1].pk)]["semen"].endswith(", mixed")
    page = client.get(reverse("scheduling:plan", args=[mixed.sketch.pk])).content.decode()
    assert page.count("data-pick") == page.count("data-fits=") == 1
    address = reverse("scheduling:plan_move", args=[mixed.sketch.pk, card.booking_id, card.pk])
    form = client.get(address).content.decode()
    assert ("in mixed semen" in form, 'name="source"' in form) == (True, False)
    values = {"session": mixed.sessions[1].pk, "source": "", "queens": 5, "version": mixed.sketch.version}
    moved = client.post(address, values, follow=True).content.decode()
    assert reverse("scheduling:plan_move_back", args=[mixed.sketch.pk]) in moved
    assert set(mixed.stands()) == {1}
    out = reverse("scheduling:plan_take_out", args=[mixed.sketch.pk, mixed.card_on(1).pk])
    assert "has no place now" in client.post(out, follow=True).content.decode()
    anew = client.get(reverse("scheduling:plan_fits_new", args=[mixed.sketch.pk, card.booking_id])).json()
    assert [day["fits"] for day in anew["days"].values()] == [True, True, True]


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
    assert (few, asked()) == (45, 45)
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
