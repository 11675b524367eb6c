"""Outcomes: what counts as success, who is followed how long, small numbers, and who may see whose work."""

import csv
import datetime as dt
import io
from types import SimpleNamespace
from typing import cast

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.access import Viewer, viewer_of
from accounts.models import Person, Role
from accounts.refusals import Refusal
from scheduling.planning.survival import Seen
from scheduling.queries.outcome_drones import drones_by_source
from scheduling.queries.outcomes import OutcomeGroup, QueenOutcome, by_session, groups_of, outcomes_of
from scheduling.services.bench_session import session_close
from scheduling.services.checks import check_record
from scheduling.views.outcome_pictures import choice_of, living_drawing
from tests.factories import NOW, MemberPersonFactory, PersonFactory, RoleGrantFactory, SeasonFactory
from tests.scheduling.test_bench import MINUTE, Bench

pytestmark = pytest.mark.django_db

CLOSED = NOW + 60 * MINUTE


class Outcomes(Bench):
    """Six queens given semen by one operator, the last two by another; then looked at."""

    def __init__(self) -> None:
        super().__init__(queens=6)
        cooperative = self.session.season.cooperative
        self.other: Person = PersonFactory(name="Other Operator")  # type: ignore[assignment]
        for person in (self.by, self.other):
            RoleGrantFactory(person=person, cooperative=cooperative, role=Role.OPERATOR)
        self.coordinator: Person = PersonFactory()
        RoleGrantFactory(person=self.coordinator, cooperative=cooperative, role=Role.COORDINATOR)
        lot = self.lot(tenths=600, usable=60)
        first = self.by
        for index in range(6):
            self.by = first if index < 4 else self.other
            self.dose(index, lot, 80 if index else 50, leak_back=index == 1)
        self.by = first
        session_close(self.session, reason_for_rest="dried", by=self.by, now=CLOSED)

    def look(self, index: int, days: int, finding: str, **more: object) -> None:
        moment = NOW + dt.timedelta(days=days)
        check_record(
            self.queens[index],
            checked_on=moment.date(),
            finding=finding,
            by=self.by,
            now=moment,
            **more,  # type: ignore[arg-type]
        )

    def looked(self) -> "Outcomes":
        self.look(0, 7, "eggs")
        self.look(0, 16, "worker_brood", pattern="solid", brood_cells=100, brood_alive=88)
        self.look(1, 7, "no_eggs")
        self.look(1, 10, "eggs")
        self.look(1, 18, "drone_brood")
        self.look(2, 7, "no_eggs")
        self.look(3, 10, "not_found")
        self.look(4, 8, "eggs")
        self.look(4, 16, "worker_brood", pattern="solid")
        return self

    def viewer(self, person: Person) -> Viewer:
        found = viewer_of(person)
        assert found is not None
        return found

    def rows(self) -> list[QueenOutcome]:
        return outcomes_of(self.viewer(self.coordinator))


def test_sealed_brood_decides_and_who_was_not_looked_at_counts_as_neither() -> None:
    rows = Outcomes().looked().rows()
    assert [row.is_good for row in rows] == [True, False, None, False, True, None]
    group = OutcomeGroup("all", rows)
    assert (group.known, group.good, group.leaked) == (4, 2, 1)
    assert group.is_few
    assert group.brood == (88, 100)


def test_days_to_eggs_are_censored_at_the_last_look() -> None:
    rows = Outcomes().looked().rows()
    assert [row.laying for row in rows] == [
        Seen(7, True),
        Seen(10, True),
        Seen(7, False),
        Seen(10, False),
        Seen(8, True),
        None,
    ]
    assert [row.living for row in rows] == [
        Seen(16, False),
        Seen(18, False),
        Seen(7, False),
        Seen(10, True),
        Seen(16, False),
        None,
    ]
    assert OutcomeGroup("all", rows).median_days == 10


def test_nobody_is_said_to_live_longer_than_anybody_was_followed() -> None:
    bench = Outcomes().looked()
    assert OutcomeGroup("all", bench.rows()).alive is None
    bench.look(0, 31, "worker_brood")
    alive = OutcomeGroup("all", bench.rows()).alive
    assert alive is not None
    assert alive.share == pytest.approx(0.75)


def test_eggs_seen_before_the_insemination_do_not_count() -> None:
    bench = Outcomes()
    bench.look(0, 0, "eggs")
    bench.look(0, 8, "no_eggs")
    assert bench.rows()[0].laying == Seen(8, False)


def test_groups_stand_in_the_order_of_their_names_or_sizes_never_of_success() -> None:
    bench = Outcomes().looked()
    viewer, rows = bench.viewer(bench.coordinator), bench.rows()
    doses = groups_of(rows, "dose", viewer)
    assert [(group.name, len(group.rows)) for group in doses] == [("below 6 µl", 1), ("8 to 9.9 µl", 5)]
    names = [group.name for group in groups_of(rows, "operator", viewer)]
    assert names == sorted([bench.by.name, bench.other.name])
    [(session, group)] = by_session(rows)
    assert (session, group.known) == (bench.session, 4)


def test_an_operator_sees_the_own_work_and_all_others_as_one() -> None:
    bench = Outcomes().looked()
    groups = groups_of(bench.rows(), "operator", bench.viewer(bench.by))
    assert [(group.name, len(group.rows)) for group in groups] == [("All others", 2), ("Your own", 4)]
    assert len(outcomes_of(bench.viewer(bench.by), operator_id=bench.by.pk)) == 4


def test_the_volume_of_a_drone_has_an_interval_only_from_three_lots_on() -> None:
    bench = Outcomes()
    [row] = drones_by_source(bench.viewer(bench.coordinator))
    assert (row.lots, row.tried, row.usable, row.volume, row.volume_range) == (1, 60, 60, 1.0, None)
    assert row.range is not None
    assert row.range[0] < 1.0


def test_brood_is_counted_where_there_is_some_and_not_more_alive_than_cells() -> None:
    bench = Outcomes()
    with pytest.raises(Refusal, match="not more"):
        bench.look(0, 16, "worker_brood", brood_cells=100, brood_alive=101)
    with pytest.raises(Refusal, match="sealed worker brood"):
        bench.look(0, 16, "eggs", brood_cells=100, brood_alive=90)


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> Outcomes:
    monkeypatch.setattr(timezone, "now", lambda: NOW + dt.timedelta(days=40))
    return Outcomes().looked()


def table(client: Client, name: str, query: str = "") -> list[list[str]]:
    answer = client.get(reverse("scheduling:outcomes_csv", args=[name]) + query)
    assert answer.status_code == 200
    return list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"))))


def test_the_page_shows_every_chart_with_its_table_and_csv(shown: Outcomes, client: Client) -> None:
    client.force_login(shown.coordinator)
    page = client.get(reverse("scheduling:outcomes") + "?by=source").content.decode()
    assert "2 of 4 queens have sealed worker brood" in page
    assert "too few to say" in page
    assert page.count("<caption") == page.count('class="viz"') == 3
    for name in ("groups", "sessions", "laying", "living", "drones"):
        assert len(table(client, name, "?by=source")) > 1, name
    assert table(client, "sessions")[1][1:4] == ["2", "4", "50 %"]
    assert client.get("/outcomes/nothing.csv").status_code == 404


def test_single_queens_and_operators_are_not_for_everybody(shown: Outcomes, client: Client) -> None:
    member = MemberPersonFactory(member=shown.batch.member).person
    client.force_login(member)
    page = client.get(reverse("scheduling:outcomes") + "?by=operator").content.decode()
    assert shown.by.name not in page
    assert ">Operator<" not in page
    assert "Does it slip?" not in page  # a day at the bench is one person's work
    assert client.get(reverse("scheduling:outcomes_csv", args=["sessions"])).status_code == 403
    assert client.get(reverse("scheduling:outcomes_csv", args=["queens"])).status_code == 403
    client.force_login(shown.by)
    rows = table(client, "queens")
    assert [row[3] for row in rows[1:]] == [shown.by.name] * 4 + ["", ""]
    client.force_login(shown.coordinator)
    assert {row[3] for row in table(client, "queens")[1:]} == {shown.by.name, shown.other.name}


def test_another_cooperative_and_strangers_see_nothing_of_it(shown: Outcomes, client: Client) -> None:
    outsider = PersonFactory()
    season = SeasonFactory()
    RoleGrantFactory(person=outsider, cooperative=season.cooperative, role=Role.COORDINATOR)
    client.force_login(outsider)
    assert table(client, "queens", "?seasons=all")[1:] == []
    client.logout()
    assert client.get(reverse("scheduling:outcomes_csv", args=["groups"])).status_code == 302


def test_of_many_groups_four_are_drawn_as_chosen_and_all_stand_in_the_table() -> None:
    groups = [group_of(name, queens) for name, queens in zip("abcdef", (9, 8, 5, 7, 6, 3), strict=True)]
    by_size = choice_of(groups, [])
    assert ([one.name for one in by_size.drawn], [one.name for one in by_size.rest]) == (["a", "b", "d", "e"], ["c"])
    chosen = choice_of(groups, ["c", "e", "f"])  # of f too few were followed for a curve
    assert ([one.name for one in chosen.drawn], chosen.asked) == (["c", "e"], 2)
    assert chosen.boxes == [("a", False), ("b", False), ("c", True), ("d", False), ("e", True)]
    many = choice_of(groups, list("abcde"))
    assert (len(many.drawn), many.asked, many.most) == (4, 5, 4)
    drawing = living_drawing(chosen)
    assert drawing is not None
    assert {row[0] for row in drawing.table.rows} == set("abcde")
    assert ">a<" not in drawing.svg


def group_of(name: str, queens: int) -> OutcomeGroup:
    """Queens of whom one is gone after each day."""
    rows = [SimpleNamespace(living=Seen(day, True), laying=None) for day in range(1, queens + 1)]
    return OutcomeGroup(name, cast(list[QueenOutcome], rows))
