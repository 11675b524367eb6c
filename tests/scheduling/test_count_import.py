"""Counts of drones that come in from a table, and go again."""

import datetime as dt
from typing import Any

import pytest

from accounts.access import Viewer, viewer_of
from accounts.models import AuditEntry, Person, Role
from accounts.refusals import Refusal
from accounts.told import read_text
from breeding.models import ImportState, TableImport
from breeding.services.imports.importing import import_commit, import_match, import_undo, import_upload
from scheduling.models import DroneCohort, DroneCount, Reminder
from scheduling.services.cohorts import count_record
from tests.factories import DroneCohortFactory, SeasonFactory
from tests.scheduling.world import NOW, World

pytestmark = pytest.mark.django_db
DAY = dt.date
LATER = NOW + dt.timedelta(hours=1)


@pytest.fixture
def cohort(world: World) -> DroneCohort:
    """Comb in on Mon 27 April; nothing counted yet."""
    return world.source(drones=None, name="Fell").cohorts.get()


def viewer(world: World, person: Person | None = None) -> Viewer:
    found = viewer_of(person or world.owner, world.cooperative.pk)
    assert found is not None
    return found


def checked(by: Viewer, *rows: str, head: str = "Source,Comb,What,Date,Number") -> TableImport:
    text = "\n".join([head, *rows])
    imported = import_upload(by, kind="counts", file_name="counts.csv", content=text.encode(), now=NOW)
    return import_match(imported, matched=imported.matched, member=None, day_order="", viewer=by, now=NOW)


def committed(by: Viewer, *rows: str, **more: Any) -> TableImport:
    imported = checked(by, *rows, **more)
    assert imported.problems == []
    return import_commit(imported, seen=imported.version, viewer=by, now=NOW)


def standing(cohort: DroneCohort) -> list[tuple[str, DAY, int, Person | None]]:
    counts = cohort.counts.filter(replaced_by__isnull=True).order_by("counted_on", "kind")
    return [(count.kind, count.counted_on, count.number, count.counted_by) for count in counts]


def test_counts_come_in_for_the_combs_they_name_in_any_language(world: World, cohort: DroneCohort) -> None:
    second = DroneCohortFactory(source=cohort.source, number=2, comb_in_on=DAY(2026, 5, 1))
    imported = committed(
        viewer(world),
        "fell;1;verdeckelt;12.5.2026;1 200",
        "Fell;1;Emerged;2026-05-24;900",
        "Fell;2;opérculo;2026-05-14;700",
        head="Drohnenquelle;Wabe;Was;Gezählt am;Anzahl",
    )
    assert standing(cohort) == [
        ("capped", DAY(2026, 5, 12), 1200, world.owner),
        ("emerged", DAY(2026, 5, 24), 900, world.owner),
    ]
    assert standing(second) == [("capped", DAY(2026, 5, 14), 700, world.owner)]
    assert imported.made == {"scheduling.dronecount": sorted(DroneCount.objects.values_list("pk", flat=True))}
    [entry] = AuditEntry.objects.filter(action="import.commit")
    assert entry.after == {"new": {"counts": 3}}


def test_where_a_source_has_one_comb_its_number_may_be_left_out(world: World, cohort: DroneCohort) -> None:
    committed(viewer(world), "Fell,,capped,2026-05-12,850")
    assert standing(cohort) == [("capped", DAY(2026, 5, 12), 850, world.owner)]


def test_the_reminder_to_count_is_done_by_the_table(world: World, cohort: DroneCohort) -> None:
    def open_kinds() -> set[str]:
        return set(Reminder.objects.filter(state="wanted").values_list("kind", flat=True))

    count_record(cohort, kind="promised", counted_on=DAY(2026, 5, 1), number=900, by=None, now=NOW)
    before = open_kinds()
    assert "count_drones" in before
    committed(viewer(world), "Fell,1,seen,2026-06-05,850")
    assert open_kinds() == before - {"count_drones"}


@pytest.mark.parametrize(
    ("row", "column", "text"),
    [
        ("Nobody,1,capped,2026-05-12,850", "source", "No drone source of the season 2026"),
        ("Fell,9,capped,2026-05-12,850", "cohort", "Fell has no comb 9. There are: 1, 2."),
        ("Fell,,capped,2026-05-12,850", "cohort", "Fell has several combs. Say which: 1, 2."),
        ("Fell,1,capped,2026-06-12,850", "counted_on", "still to come"),
        ("Fell,1,capped,2026-04-12,850", "counted_on", "before this comb was that far"),
        ("Fell,1,capped,2019-05-12,850", "counted_on", "no season"),
        ("Fell,1,capped,2026-05-12,20001", "number", "from 0 to 20000"),
        ("Fell,1,capped,2026-05-12,-3", "number", "no whole number"),
        ("Fell,1,hats,2026-05-12,850", "kind", "is not known"),
        ("Fell,1,capped,2026-05-11,851", "number", "850 of that day are on record"),
    ],
)
def test_what_cannot_be_so_is_said_by_row_and_column(
    world: World, cohort: DroneCohort, row: str, column: str, text: str
) -> None:
    DroneCohortFactory(source=cohort.source, number=2, comb_in_on=DAY(2026, 5, 1))
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 11), number=850, by=None, now=NOW)
    imported = checked(viewer(world), "Fell,2,capped,2026-05-12,10", row)
    [[line, found, kept]] = imported.problems
    assert (line, found) == (3, column)
    assert text in str(read_text(kept))
    with pytest.raises(Refusal):
        import_commit(imported, seen=imported.version, viewer=viewer(world), now=NOW)
    assert DroneCount.objects.count() == 1


def test_a_table_that_says_two_things_of_one_count_is_wrong_and_twice_the_same_is_once(
    world: World, cohort: DroneCohort
) -> None:
    row = "Fell,1,capped,2026-05-12,850"
    assert checked(viewer(world), row, row).preview["new"] == {"counts": 1}
    imported = checked(viewer(world), row, "Fell,1,capped,2026-05-12,860")
    assert [(line, column) for line, column, _text in imported.problems] == [(3, "number")]


def test_the_same_table_again_brings_nothing(world: World, cohort: DroneCohort) -> None:
    committed(viewer(world), "Fell,1,capped,2026-05-12,850")
    again = checked(viewer(world), "Fell,1,capped,2026-05-12,850")
    assert (again.preview["new"], again.preview["unchanged"], again.problems) == ({"counts": 0}, 1, [])
    with pytest.raises(Refusal, match="nothing to import"):
        import_commit(again, seen=again.version, viewer=viewer(world), now=NOW)


def test_members_count_at_their_own_sources_and_the_coordinator_at_all(world: World, cohort: DroneCohort) -> None:
    neighbour = world.person(member=world.other_member())
    breeder = world.person(role=Role.BREEDER)
    row = "Fell,1,capped,2026-05-12,850"
    for person in (neighbour, breeder):
        [[line, column, text]] = checked(viewer(world, person), row).problems
        assert (line, column) == (2, "source")
        assert "members you act for" in text
    committed(viewer(world, world.coordinator()), row)
    assert cohort.counts.count() == 1


def test_a_source_is_that_of_the_season_of_the_day(world: World, cohort: DroneCohort) -> None:
    earlier = SeasonFactory(
        cooperative=world.cooperative, year=2025, starts_on=DAY(2025, 4, 1), ends_on=DAY(2025, 8, 31)
    )
    old = world.source(drones=None, name="Fell before")
    type(old).objects.filter(pk=old.pk).update(season=earlier, name="Fell")
    DroneCohort.objects.filter(source=old).update(comb_in_on=DAY(2025, 4, 27))
    committed(viewer(world), "Fell,1,capped,2025-05-12,850")
    assert (cohort.counts.count(), DroneCount.objects.get().cohort.source) == (0, old)


def test_a_count_at_the_comb_since_the_preview_is_noticed(world: World, cohort: DroneCohort) -> None:
    imported = checked(viewer(world), "Fell,1,capped,2026-05-12,850")
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 12), number=840, by=None, now=NOW)
    with pytest.raises(Refusal) as refused:
        import_commit(imported, seen=imported.version, viewer=viewer(world), now=LATER)
    assert refused.value.rule == "preview_outdated"
    assert [count.number for count in cohort.counts.all()] == [840]


def test_the_whole_import_is_undone_and_may_come_again(world: World, cohort: DroneCohort) -> None:
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 10), number=400, by=None, now=NOW)
    imported = committed(viewer(world), "Fell,1,capped,2026-05-12,850", "Fell,1,emerged,2026-05-24,800")
    undone = import_undo(imported, viewer=viewer(world), now=LATER)
    assert (undone.state, undone.made) == (ImportState.UNDONE, {})
    assert standing(cohort) == [("capped", DAY(2026, 5, 10), 400, None)]
    [entry] = AuditEntry.objects.filter(action="import.undo")
    assert entry.before == {"made": {"scheduling.dronecount": 2}}
    committed(viewer(world), "Fell,1,capped,2026-05-12,850")


def test_a_count_that_was_corrected_since_keeps_the_import_from_being_undone(world: World, cohort: DroneCohort) -> None:
    imported = committed(viewer(world), "Fell,1,capped,2026-05-12,850")
    count_record(cohort, kind="capped", counted_on=DAY(2026, 5, 12), number=840, by=None, now=LATER)
    with pytest.raises(Refusal, match="was changed since") as refused:
        import_undo(imported, viewer=viewer(world), now=LATER)
    assert refused.value.rule == "import_in_use"
    assert standing(cohort) == [("capped", DAY(2026, 5, 12), 840, None)]


def test_a_comb_that_is_gone_keeps_the_import_from_being_undone(world: World, cohort: DroneCohort) -> None:
    imported = committed(viewer(world), "Fell,1,capped,2026-05-12,850")
    cohort.delete()
    with pytest.raises(Refusal, match="not there any more"):
        import_undo(imported, viewer=viewer(world), now=LATER)
