"""An import from its file to what it made, and back."""

import datetime as dt
from decimal import Decimal

import pytest
from django.utils.translation import override

from accounts.access import Viewer, viewer_of
from accounts.models import Apiary, AuditEntry, Job, JobState, Person
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from breeding.models import Colony, Heading, ImportState, Line, Mating, Queen, Score, SemenBatch, TableImport
from breeding.services.evaluation.asking import evaluation_ask
from breeding.services.imports import importing
from breeding.services.imports.importing import (
    import_check,
    import_commit,
    import_commit_ask,
    import_match,
    import_set_aside,
    import_undo,
    import_upload,
)
from breeding.services.imports.kinds import kinds
from breeding.services.merges import queen_merge
from breeding.services.queens import queen_correct, queen_register
from breeding.services.scores import score_correct
from tests.breeding.conftest import Stock
from tests.factories import NOW, MemberPersonFactory, PersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(hours=1)

QUEENS = "Queen,Mother,Emerged on,Line,Disc\nRowan 30,Rowan 1,2026-04-20,Rowan,12\nRowan 31,Rowan 30,2026-05-28,,\n"
SCORES = "Apiary;Colony;Trait;Day of the visit;Value;Counted part;Counted whole;Method\n" + (
    "Orchard;7;gentleness;2.5.2026;3,5;;;\nOrchard;7;Honey yield;03.05.2026;20.5;;;\n"
    "Orchard;7;pin test;2026-05-04;;45;50;pin\n"
)


@pytest.fixture
def owner(stock: Stock) -> Viewer:
    person = PersonFactory(language="en")
    MemberPersonFactory(member=stock.owner, person=person)
    return seen_by(person, stock)


def seen_by(person: Person, stock: Stock) -> Viewer:
    viewer = viewer_of(person, stock.cooperative.pk)
    assert viewer is not None
    return viewer


def uploaded(viewer: Viewer, kind: str, text: str, name: str = "table.csv") -> TableImport:
    return import_upload(viewer, kind=kind, file_name=name, content=text.encode(), now=NOW)


def checked(viewer: Viewer, kind: str, text: str, stock: Stock | None = None, day_order: str = "") -> TableImport:
    """Columns as recognised; rows that name no member are the stock's owner's."""
    imported = uploaded(viewer, kind, text)
    member = stock.owner if stock is not None else None
    return import_match(imported, matched=imported.matched, member=member, day_order=day_order, viewer=viewer, now=NOW)


def committed(viewer: Viewer, kind: str, text: str, stock: Stock | None = None) -> TableImport:
    imported = checked(viewer, kind, text, stock)
    assert imported.problems == []
    return import_commit(imported, seen=imported.version, viewer=viewer, now=NOW)


def test_queens_come_in_with_mothers_lines_and_one_row_of_history(stock: Stock, owner: Viewer) -> None:
    imported = committed(owner, "queens", QUEENS, stock)
    queens = Queen.objects.filter(label__startswith="Rowan 3").order_by("label")
    assert [(q.label, q.owner, q.mother.label if q.mother else None, q.emerged_on, q.mark_number) for q in queens] == [
        ("Rowan 30", stock.owner, "Rowan 1", dt.date(2026, 4, 20), "12"),
        ("Rowan 31", stock.owner, "Rowan 30", dt.date(2026, 5, 28), ""),
    ]
    assert (imported.state, imported.imported_by, bytes(imported.sheet)) == (ImportState.DONE, owner.person, b"")
    assert imported.made == {
        "breeding.line": [Line.objects.get(name="Rowan").pk],
        "breeding.queen": [q.pk for q in queens],
    }
    [entry] = AuditEntry.objects.filter(action="import.commit")
    assert (entry.subject_id, entry.after) == (imported.pk, {"new": {"lines": 1, "queens": 2}})


def test_scores_come_in_with_comma_and_point_and_days_as_people_write_them(stock: Stock, owner: Viewer) -> None:
    committed(owner, "scores", SCORES, stock)
    new = Score.objects.filter(colony=stock.colony).exclude(pk=stock.score.pk).order_by("scored_on")
    assert [(s.trait.key, s.scored_on, s.value, s.part, s.queen, s.scored_by) for s in new] == [
        ("gentleness", dt.date(2026, 5, 2), Decimal("3.500"), None, stock.queen, owner.person),
        ("honey_yield", dt.date(2026, 5, 3), Decimal("20.500"), None, stock.queen, owner.person),
        ("pin_test", dt.date(2026, 5, 4), Decimal("90.000"), 45, stock.queen, owner.person),
    ]


def test_every_problem_is_listed_by_line_and_field_and_nothing_is_written(stock: Stock, owner: Viewer) -> None:
    text = (
        "Apiary,Colony,Trait,Day,Value\n"
        "Orchard,7,gentleness,3/4/2026,very\n"
        "Orchard,8,gentleness,2026-05-02,3\n"
        ",7,temper,2026-05-02,9\n"
        "Orchard,7,temper,2026-05-02,9\n"
        "Orchard,7,beauty,2026-05-02,=1+2\n"
    )
    imported = checked(owner, "scores", text, stock)
    assert [(line, column) for line, column, _text in imported.problems] == [
        (2, "scored_on"), (2, "value"), (3, "colony"), (4, "apiary"), (5, "value"), (6, "trait"), (6, "value"),
    ]  # fmt: skip
    said = {(line, column): text for line, column, text in imported.problems}
    assert "could be two days" in said[2, "scored_on"]
    assert "is a formula" in said[6, "value"]
    with pytest.raises(Refusal) as refused:
        import_commit(imported, seen=imported.version, viewer=owner, now=NOW)
    assert refused.value.rule == "preview_outdated"
    assert Score.objects.count() == 1


def test_a_person_may_say_in_which_order_days_are_written(stock: Stock, owner: Viewer) -> None:
    text = "Apiary,Colony,Trait,Day,Value\nOrchard,7,gentleness,3/4/2026,3\n"
    assert checked(owner, "scores", text, stock, day_order="dmy").problems == []
    imported = checked(owner, "scores", text, stock, day_order="mdy")
    import_commit(imported, seen=imported.version, viewer=owner, now=NOW)
    assert Score.objects.latest("pk").scored_on == dt.date(2026, 3, 4)


def test_the_same_file_again_brings_nothing_and_is_refused(stock: Stock, owner: Viewer) -> None:
    committed(owner, "scores", SCORES, stock)
    again = checked(owner, "scores", SCORES, stock)
    assert (again.preview["unchanged"], again.problems) == (3, [])
    with pytest.raises(Refusal) as refused:
        import_commit(again, seen=again.version, viewer=owner, now=NOW)
    assert refused.value.rule == "nothing_new"
    assert Score.objects.count() == 4


def test_importing_twice_is_once(stock: Stock, owner: Viewer) -> None:
    imported = checked(owner, "scores", SCORES, stock)
    import_commit(imported, seen=imported.version, viewer=owner, now=NOW)
    fresh = TableImport.objects.get(pk=imported.pk)
    assert import_commit(fresh, seen=fresh.version, viewer=owner, now=LATER).imported_at == NOW
    assert Score.objects.count() == 4


def test_a_preview_that_the_stock_has_overtaken_is_refused_and_made_anew(stock: Stock, owner: Viewer) -> None:
    imported = checked(owner, "queens", QUEENS, stock)
    queen_register(stock.owner, label="Rowan 30", by=owner.person, now=NOW)
    with pytest.raises(Refusal) as refused:
        import_commit(imported, seen=imported.version, viewer=owner, now=LATER)
    assert refused.value.rule == "preview_outdated"
    fresh = TableImport.objects.get(pk=imported.pk)
    assert (fresh.state, fresh.version, [line for line, _c, _t in fresh.problems]) == (ImportState.CHECKED, 3, [2])
    assert not Queen.objects.filter(label="Rowan 31").exists()


def test_another_queen_in_the_colony_since_the_preview_is_noticed(stock: Stock, owner: Viewer) -> None:
    imported = checked(owner, "scores", SCORES, stock)
    other = queen_register(stock.owner, label="Other", by=owner.person, now=NOW)
    Heading.objects.filter(pk=stock.heading.pk).update(queen=other)
    with pytest.raises(Refusal) as refused:
        import_commit(imported, seen=imported.version, viewer=owner, now=LATER)
    assert refused.value.rule == "preview_outdated"
    assert Score.objects.count() == 1


def test_a_preview_of_an_earlier_look_is_refused(stock: Stock, owner: Viewer) -> None:
    imported = checked(owner, "scores", SCORES, stock)
    seen = imported.version
    import_check(imported, viewer=owner, now=NOW)
    with pytest.raises(Refusal, match="not the latest"):
        import_commit(imported, seen=seen, viewer=owner, now=NOW)


def test_a_member_brings_in_only_what_is_its_own(stock: Stock, owner: Viewer) -> None:
    text = f"Queen,Member\nTheirs 1,{stock.neighbour.name}\nOurs 1,{stock.owner.name}\n"
    imported = checked(owner, "queens", text)
    assert [(line, column) for line, column, _text in imported.problems] == [(2, "owner")]
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=stock.cooperative, role="breeder")
    committed(seen_by(breeder, stock), "queens", text)
    assert Queen.objects.get(label="Theirs 1").owner == stock.neighbour


def test_no_member_is_made_by_an_import(stock: Stock, owner: Viewer) -> None:
    coordinator = PersonFactory()
    RoleGrantFactory(person=coordinator, cooperative=stock.cooperative, role="coordinator")
    imported = checked(seen_by(coordinator, stock), "apiaries", "Member,Apiary\nNobody,Wood\n")
    assert [(line, column) for line, column, _text in imported.problems] == [(2, "member")]


def test_matings_colonies_and_apiaries_come_in_too(stock: Stock, owner: Viewer) -> None:
    committed(owner, "apiaries", "Rucher,Lieu\nWood,By the beck\n", stock)
    committed(owner, "queens", QUEENS, stock)
    committed(
        owner,
        "matings",
        "Königin;Begattungsart;Besamt am;Drohnenmutter;µl\n"
        "Rowan 30;Mischung;4.5.2026;Rowan 1;4\nRowan 30;;;Old Rowan;4,5\n",
    )
    committed(owner, "colonies", "Colmenar,Colmena,Reina,Desde\nWood,1,Rowan 30,2026-05-10\n", stock)
    mating = Mating.objects.get(queen__label="Rowan 30")
    assert (mating.kind, mating.total_tenths, mating.is_complete) == ("pool", 85, True)
    assert Queen.objects.get(label="Rowan 30").status == "mated"
    assert Colony.objects.get(name="1").headings.get().queen.label == "Rowan 30"


def test_the_whole_import_is_undone_and_may_come_again(stock: Stock, owner: Viewer) -> None:
    before = (Queen.objects.count(), Line.objects.count())
    imported = committed(owner, "queens", QUEENS, stock)
    undone = import_undo(imported, viewer=owner, now=LATER)
    assert (Queen.objects.count(), Line.objects.count()) == before
    assert (undone.state, undone.undone_by, undone.undone_at, undone.made) == (
        ImportState.UNDONE, owner.person, LATER, {},
    )  # fmt: skip
    assert import_undo(undone, viewer=owner, now=LATER).undone_at == LATER
    [entry] = AuditEntry.objects.filter(action="import.undo")
    assert entry.before == {"made": {"breeding.line": 1, "breeding.queen": 2}}
    committed(owner, "queens", QUEENS, stock)


def test_an_undone_mating_leaves_a_virgin_and_takes_its_mixture_along(stock: Stock, owner: Viewer) -> None:
    committed(owner, "queens", QUEENS, stock)
    text = "Queen,Kind,Mated on,Drone source,Volume,Batch\n,,2026-05-04,Rowan 1,40,M1\nRowan 30,batch,2026-05-04,,,M1\n"
    imported = committed(owner, "matings", text)
    assert SemenBatch.objects.filter(label="M1").exists()
    import_undo(imported, viewer=owner, now=LATER)
    assert not SemenBatch.objects.filter(label="M1").exists()
    assert Queen.objects.get(label="Rowan 30").status == "virgin"


def test_what_something_hangs_on_is_not_undone_and_the_refusal_says_what(stock: Stock, owner: Viewer) -> None:
    imported = committed(owner, "queens", QUEENS, stock)
    queen_register(stock.owner, label="Daughter", mother=Queen.objects.get(label="Rowan 30"), by=None, now=LATER)
    with pytest.raises(Refusal, match=r"Queen “Daughter” depends on Rowan 30") as refused:
        import_undo(imported, viewer=owner, now=LATER)
    assert refused.value.rule == "import_in_use"
    assert Queen.objects.filter(label__startswith="Rowan 3").count() == 2
    assert TableImport.objects.get(pk=imported.pk).state == ImportState.DONE


def test_what_was_corrected_since_is_not_undone(stock: Stock, owner: Viewer) -> None:
    imported = committed(owner, "queens", QUEENS, stock)
    queen_correct(Queen.objects.get(label="Rowan 31"), note="Lively", by=None, now=LATER)
    with pytest.raises(Refusal, match=r"Rowan 31 was changed since"):
        import_undo(imported, viewer=owner, now=LATER)
    scores = committed(owner, "scores", SCORES, stock)
    score_correct(Score.objects.get(scored_on="2026-05-02"), value=Decimal(4), by=None, now=LATER)
    with pytest.raises(Refusal, match="was changed since"):
        import_undo(scores, viewer=owner, now=LATER)


def test_what_was_made_one_with_another_since_is_not_undone(stock: Stock, owner: Viewer) -> None:
    imported = committed(owner, "queens", QUEENS, stock)
    twice = queen_register(stock.owner, label="Rowan 31 again", by=None, now=NOW)
    queen_merge(twice, Queen.objects.get(label="Rowan 31"), by=None, now=LATER)
    with pytest.raises(Refusal, match="not there any more"):
        import_undo(imported, viewer=owner, now=LATER)


def test_scores_that_an_evaluation_counted_are_withdrawn_and_others_go(stock: Stock, owner: Viewer) -> None:
    imported = committed(owner, "scores", SCORES, stock)
    job = evaluation_ask(stock.cooperative, by=None, now=LATER)
    assert job_run(job.pk, now=LATER)
    assert Job.objects.get(pk=job.pk).state == JobState.READY, Job.objects.get(pk=job.pk).problem
    import_undo(imported, viewer=owner, now=LATER + dt.timedelta(hours=1))
    assert Score.objects.filter(withdrawn_at__isnull=False).count() == 3
    again = committed(owner, "scores", SCORES, stock)
    assert again.made["breeding.score"]


def test_a_long_import_is_read_looked_at_and_written_by_jobs(
    stock: Stock, owner: Viewer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "MANY_BYTES", 10)
    monkeypatch.setattr(importing, "MANY_ROWS", 2)
    imported = uploaded(owner, "scores", SCORES)

    def worked() -> TableImport:
        fresh = TableImport.objects.get(pk=imported.pk)
        assert fresh.job is not None
        assert fresh.job.is_open
        assert job_run(fresh.job.pk, now=NOW)
        fresh = TableImport.objects.get(pk=imported.pk)
        assert fresh.job is not None
        assert fresh.job.state == JobState.READY, fresh.job.problem
        return fresh

    assert (imported.state, bytes(imported.content)) == (ImportState.READING, SCORES.encode())
    read = worked()
    assert (read.state, read.rows, bytes(read.content)) == (ImportState.MATCHING, 3, b"")
    import_match(read, matched=read.matched, member=stock.owner, day_order="", viewer=owner, now=NOW)
    with pytest.raises(Refusal, match="being worked on"):
        import_match(read, matched=read.matched, member=stock.owner, day_order="", viewer=owner, now=NOW)
    looked_at = worked()
    assert (looked_at.state, looked_at.preview["new"]["scores"]) == (ImportState.CHECKED, 3)
    import_commit_ask(looked_at, seen=looked_at.version, viewer=owner, now=NOW)
    assert worked().state == ImportState.DONE
    assert Score.objects.count() == 4


def test_a_column_is_one_thing_and_needed_ones_are_asked_for(stock: Stock, owner: Viewer) -> None:
    imported = uploaded(owner, "queens", "A,B\nx,y\n")
    assert imported.matched == {}
    with pytest.raises(Refusal, match="Say which column is: Queen, Belongs to"):
        import_match(imported, matched={}, member=None, day_order="", viewer=owner, now=NOW)
    twice = {"queen": 0, "owner": 0}
    with pytest.raises(Refusal, match="only one thing"):
        import_match(imported, matched=twice, member=None, day_order="", viewer=owner, now=NOW)


def test_a_file_that_is_dropped_leaves_nothing_but_a_row_of_history(stock: Stock, owner: Viewer) -> None:
    imported = checked(owner, "queens", QUEENS, stock)
    import_set_aside(imported, viewer=owner, now=NOW)
    assert not TableImport.objects.exists()
    assert AuditEntry.objects.filter(action="import.set_aside").count() == 1


def test_a_closed_apiary_takes_no_new_colony(stock: Stock, owner: Viewer) -> None:
    Apiary.objects.filter(pk=stock.apiary.pk).update(closed_on=dt.date(2026, 1, 1))
    imported = checked(owner, "colonies", "Apiary,Colony\nOrchard,99\n", stock)
    assert [(line, column) for line, column, _text in imported.problems] == [(2, "apiary")]


@pytest.mark.parametrize("key", list(kinds()))
@pytest.mark.parametrize("language", ["en", "de", "fr", "es"])
def test_headings_are_recognised_in_every_language(stock: Stock, owner: Viewer, key: str, language: str) -> None:
    """A template of any language comes back fully matched, whoever sends it."""
    with override(language):
        head = [f'"{column.label}"' for column in kinds()[key].columns]
    imported = uploaded(owner, key, ",".join(head) + "\n" + ",".join("x" for _ in head) + "\n")
    assert imported.matched == {column.key: number for number, column in enumerate(kinds()[key].columns)}
