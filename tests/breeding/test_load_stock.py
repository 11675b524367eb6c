"""Loading a folder of tables: good, bad, twice, and in any order."""

import csv
import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from accounts.models import AuditEntry, Cooperative, Member
from breeding.genetics import pedigree as kernel
from breeding.models import Colony, Heading, Line, Mating, MatingShare, Queen, Score, SemenBatch, Trait
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.services.loading.files import TABLES
from breeding.services.stock_load import Loaded, stock_load
from tests.factories import NOW, CooperativeFactory, PersonFactory

pytestmark = pytest.mark.django_db
EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "examples" / "stock"
COUNTED = [Member, Line, Queen, SemenBatch, Mating, MatingShare, Colony, Heading, Score, Trait, AuditEntry]


@pytest.fixture
def cooperative() -> Cooperative:
    return CooperativeFactory(name="Upland breeders")


def _load(cooperative: Cooperative, folder: Path = EXAMPLE, **options: Any) -> Loaded:
    return stock_load(cooperative, folder=folder, by=PersonFactory(), now=NOW, **options)


def _counts() -> list[int]:
    return [model._default_manager.count() for model in COUNTED]


def _copy(folder: Path, **changes: Any) -> Path:
    """The example folder with some tables changed: a function of its lines, or whole new lines."""
    for name in TABLES:
        lines = (EXAMPLE / name).read_text(encoding="utf-8").splitlines()
        change = changes.get(name.removesuffix(".csv"))
        if callable(change):
            lines = change(lines)
        elif change is not None:
            lines = [lines[0], *change]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def test_the_example_is_loaded_as_it_reads(cooperative: Cooperative) -> None:
    loaded = _load(cooperative)
    assert loaded.problems == ()
    assert loaded.new == {
        "members": 2,
        "apiaries": 3,
        "lines": 2,
        "queens": 11,
        "semen batches": 1,
        "matings": 10,
        "colonies": 6,
        "headings": 7,
        "scores": 14,
    }
    queen = Queen.objects.get(label="Rowan 24-1")
    assert (queen.mother, queen.birth_year, queen.status) == (Queen.objects.get(label="Rowan 22-A"), 2024, "mated")
    assert queen.line == Line.objects.get(name="Rowan")
    assert list(queen.mating.shares.values_list("drone_queen__label", "volume_tenths", "drones")) == [
        ("Thrift 23-1", 50, 5),
        ("Thrift 23-2", 30, 3),
    ]
    assert (queen.mating.total_tenths, queen.mating.recorded_tenths, queen.mating.is_complete) == (80, 80, True)
    assert Mating.objects.get(queen__label="Rowan 24-2").total_tenths == 85
    batch = SemenBatch.objects.get()
    assert (batch.total_tenths, batch.recorded_tenths, batch.is_complete) == (500, 500, True)
    statuses = dict(Queen.objects.values_list("label", "status"))
    assert (statuses["Rowan 24-3"], statuses["Rowan 25-4"]) == ("gone", "virgin")
    assert list(
        Heading.objects.filter(colony__name="2").order_by("since").values_list("queen__label", "since", "until")
    ) == [
        ("Rowan 24-2", dt.date(2024, 7, 10), dt.date(2025, 7, 20)),
        ("Rowan 25-1", dt.date(2025, 7, 20), None),
    ]
    assert Heading.objects.get(colony__name="A").until == dt.date(2026, 3, 10)
    pin = Score.objects.get(trait__key="pin_test")
    assert (pin.value, pin.part, pin.whole, pin.queen) == (Decimal(76), 38, 50, queen)
    entry = AuditEntry.objects.get(action="stock.load")
    assert (entry.after["queens"], entry.note) == (11, "stock")


def test_the_pedigree_of_the_example_keeps_every_kind_of_mating(cooperative: Cooperative) -> None:
    _load(cooperative)
    pedigree = pedigree_of_cooperative(cooperative)
    kernel.check_pedigree(pedigree)
    pk = {label: str(pk) for pk, label in Queen.objects.values_list("pk", "label")}
    one, two = pk["Thrift 23-1"], pk["Thrift 23-2"]
    single = Mating.objects.get(queen__label="Rowan 24-3")
    batch = str(SemenBatch.objects.get().pk)
    station = f"{pk['Thrift 22-B']}/north station/2025/8"
    assert pedigree.matings == {
        pk["Rowan 22-A"]: kernel.Open(12),
        pk["Thrift 22-B"]: kernel.Open(10),
        pk["Rowan 24-1"]: kernel.Pool((kernel.DroneShare(one, 50.0, 5), kernel.DroneShare(two, 30.0, 3))),
        pk["Rowan 24-2"]: kernel.OneSource(one, 9),
        pk["Rowan 24-3"]: kernel.SingleDrone(f"m{single.pk}"),
        pk["Rowan 25-1"]: kernel.SharedBatch(batch),
        pk["Rowan 25-2"]: kernel.SharedBatch(batch),
        pk["Rowan 25-3"]: kernel.Station(station, 12),
        one: kernel.Open(12),
        two: kernel.Open(12),
    }
    assert list(pedigree.drones) == [kernel.Drone(f"m{single.pk}", two)]
    assert list(pedigree.batches) == [
        kernel.Batch(batch, (kernel.DroneShare(one, 300.0, 32), kernel.DroneShare(two, 200.0, 19)))
    ]
    assert list(pedigree.groups) == [kernel.SisterGroup(station, pk["Thrift 22-B"], 8)]


def test_the_same_folder_twice_changes_nothing(cooperative: Cooperative) -> None:
    _load(cooperative)
    before = _counts()
    again = _load(cooperative)
    assert again.problems == ()
    assert not again.changes_something
    assert sum(again.unchanged.values()) == sum(
        len(list(csv.reader((EXAMPLE / name).open(encoding="utf-8")))) - 1 for name in TABLES
    )
    assert _counts() == before


def test_the_order_of_rows_makes_no_difference(cooperative: Cooperative, tmp_path: Path) -> None:
    def backwards(lines: list[str]) -> list[str]:
        return [lines[0], *reversed(lines[1:])]

    turned = _copy(tmp_path, **{name.removesuffix(".csv"): backwards for name in TABLES})
    loaded = _load(cooperative, turned)
    assert loaded.problems == ()
    assert not _load(cooperative).changes_something


def test_a_dry_run_says_what_it_would_add_and_changes_nothing(cooperative: Cooperative) -> None:
    loaded = _load(cooperative, dry_run=True)
    assert (loaded.new["queens"], loaded.problems) == (11, ())
    assert _counts() == [0] * len(COUNTED)


def test_later_rows_are_added_to_what_is_there(cooperative: Cooperative, tmp_path: Path) -> None:
    _load(cooperative)
    folder = _copy(tmp_path, scores=lambda lines: [*lines, "Fellside,Orchard,1,calmness,2025-06-15,3,,,,,"])
    loaded = _load(cooperative, folder)
    assert {what: number for what, number in loaded.new.items() if number} == {"scores": 1}
    assert Score.objects.count() == 15


BAD_ROWS = [
    ("queens", "X1,Nobody,,,,2024,,,,,", "There is no member Nobody."),
    ("queens", "X1,Fellside,Missing,,,2024,,,,,", "There is no queen Missing, her mother."),
    ("queens", "X1,Fellside,Rowan 25-1,,,2024,,,,,", "younger than her daughter"),
    ("queens", "X1,Fellside,,,2024-13-01,,,,,,", "write a day as 2026-06-09"),
    ("queens", "X1,Fellside,,,2024-06-01,2023,,,,,", "the year says 2023"),
    ("queens", "X1,Fellside,,,,20x4,,,,,", "write a whole number"),
    ("queens", "X1,Fellside,,,2024-06-01,,,,2024-05-01,,", "gone before she emerged"),
    ("queens", "rowan 24-1,Fellside,,,,2024,,,,,", "It stands in line 2 already."),
    ("queens", ",Fellside,,,,2024,,,,,", "queen must not be empty"),
    ("matings", "Rowan 25-4,dpq,2025-06-20,Missing,,,,,,,", "There is no queen Missing, the drone_queen."),
    ("matings", "Rowan 25-4,other,2025-06-20,,,,,,,,", "kind is “other”"),
    ("matings", "Rowan 25-4,open,2025-06-01,,,,,,,,", "had not emerged yet"),
    ("matings", "Rowan 25-4,dpq,2025-06-20,Thrift 23-1,0.05,,,,,,", "to 0.1 µl"),
    ("matings", "Rowan 25-4,batch,2025-06-20,,,,Mix 26,,,,", "has no sources"),
    ("matings", "Rowan 25-4,open,2025-06-20,,,,Mix 25,,,,", "batch belongs to kind batch"),
    ("matings", "Nobody,open,,,,,,,,,", "There is no queen Nobody."),
    ("matings", ",open,,,,,,,,,", "Name the queen, or the batch"),
    ("colonies", "Fellside,Nowhere,9,,,,,,,", "has no apiary Nowhere"),
    ("colonies", "Fellside,Orchard,9,,Missing,2025-05-01,,,,", "There is no queen Missing."),
    ("colonies", "Fellside,Orchard,9,,Rowan 25-4,,,,,", "Say since when Rowan 25-4 heads it."),
    ("colonies", "Fellside,Orchard,9,,Rowan 24-1,2025-08-01,,,,", "would head two colonies at once"),
    ("colonies", "Fellside,Orchard,9,2026-06-10,,,,,,", "still to come"),
    ("scores", "Fellside,Orchard,1,speed,2025-06-16,3,,,,,", "There is no trait “speed”"),
    ("scores", "Fellside,Orchard,1,gentleness,2025-06-16,5,,,,,", "runs from 1 to 4"),
    ("scores", "Fellside,Orchard,1,gentleness,2023-06-16,3,,,,,", "No queen headed the colony"),
    ("scores", "Fellside,Orchard,1,gentleness,2025-06-15,3,,,,,", "It stands in line 5 already."),
    ("scores", "Fellside,Orchard,8,gentleness,2025-06-16,3,,,,,", "There is no colony 8"),
    ("scores", "Moorside,Moor Edge,A,gentleness,2026-04-01,3,,,,,", "The colony ended on 2026-03-10."),
    ("scores", "Fellside,Orchard,1,gentleness,2025-06-16,3,,,,,,,", "more cells than columns"),
]


@pytest.mark.parametrize(("table", "line", "text"), BAD_ROWS)
def test_a_bad_row_is_named_with_its_line_and_nothing_is_written(
    cooperative: Cooperative, tmp_path: Path, table: str, line: str, text: str
) -> None:
    folder = _copy(tmp_path, **{table: lambda lines: [*lines, line]})
    last = len((folder / f"{table}.csv").read_text(encoding="utf-8").splitlines())
    loaded = _load(cooperative, folder)
    assert [(problem.file, problem.line) for problem in loaded.problems] == [(f"{table}.csv", last)]
    assert text in loaded.problems[0].text
    assert _counts() == [0] * len(COUNTED)


def test_every_bad_row_is_reported_at_once(cooperative: Cooperative, tmp_path: Path) -> None:
    folder = _copy(
        tmp_path,
        queens=lambda lines: [*lines, "X1,Nobody,,,,2024,,,,,", "X2,Fellside,,,,1800,,,,,"],
        scores=lambda lines: [*lines, "Fellside,Orchard,1,gentleness,2025-06-16,9,,,,,"],
    )
    found = [(problem.file, problem.line) for problem in _load(cooperative, folder).problems]
    assert found == [("queens.csv", 13), ("queens.csv", 14), ("scores.csv", 16)]


def test_loops_through_mothers_and_through_drones_are_found(cooperative: Cooperative, tmp_path: Path) -> None:
    folder = _copy(
        tmp_path,
        queens=lambda lines: [*lines, "L1,Fellside,L2,,,,,,,,", "L2,Fellside,L1,,,,,,,,", "L3,Fellside,L2,,,,,,,,"],
        matings=lambda lines: [*lines, "Rowan 24-2,dpq,2024-06-11,,,,,,,,"],
    )
    loops = [problem for problem in _load(cooperative, folder).problems if "own ancestor" in problem.text]
    assert [problem.line for problem in loops] == [13, 14]
    drones = _copy(tmp_path, matings=["Rowan 22-A,dpq,,Rowan 24-1,,,,,,,"])
    assert any("descends from Rowan 22-A" in problem.text for problem in _load(cooperative, drones).problems)


def test_a_row_that_differs_from_what_stands_is_refused_not_overwritten(
    cooperative: Cooperative, tmp_path: Path
) -> None:
    _load(cooperative)
    folder = _copy(
        tmp_path,
        queens=lambda lines: [
            line.replace("Rowan 24-2,Fellside,Rowan 22-A", "Rowan 24-2,Fellside,Thrift 22-B") for line in lines
        ],
        matings=lambda lines: [line.replace("Thrift 23-2,3.0,3", "Thrift 23-2,4.0,4") for line in lines],
        scores=lambda lines: [line.replace("2025-05-18,3,", "2025-05-18,4,") for line in lines],
    )
    before = _counts()
    texts = [(problem.file, problem.line) for problem in _load(cooperative, folder).problems]
    assert texts == [("matings.csv", 4), ("queens.csv", 3), ("scores.csv", 6)]
    assert _counts() == before


@pytest.mark.parametrize(
    ("head", "text"),
    [
        ("queen,owner,colour", "Unknown columns: colour."),
        ("queen,mother", "Missing columns: owner."),
        ("queen,owner,owner", "Columns that stand twice: owner."),
    ],
)
def test_columns_that_do_not_fit_are_named(cooperative: Cooperative, tmp_path: Path, head: str, text: str) -> None:
    (tmp_path / "queens.csv").write_text(head + "\n")
    problems = _load(cooperative, tmp_path).problems
    assert [(p.file, p.line) for p in problems] == [("queens.csv", 1)]
    assert text in problems[0].text


def test_semicolons_and_a_byte_order_mark_are_read_too(cooperative: Cooperative, tmp_path: Path) -> None:
    (tmp_path / "apiaries.csv").write_text("\ufeffmember;apiary\nFellside;Orchard\n", encoding="utf-8")
    assert _load(cooperative, tmp_path).new["apiaries"] == 1


def test_a_file_in_another_encoding_is_named(cooperative: Cooperative, tmp_path: Path) -> None:
    (tmp_path / "apiaries.csv").write_bytes("member,apiary\nMüller,Hof\n".encode("latin-1"))
    assert "not UTF-8" in _load(cooperative, tmp_path).problems[0].text


def test_the_command_reports_and_refuses(cooperative: Cooperative, tmp_path: Path, capsys: Any) -> None:
    call_command("load_stock", str(EXAMPLE), "--dry-run")
    assert "Would add: 2 members" in capsys.readouterr().out
    call_command("load_stock", str(EXAMPLE), "--cooperative", "upland BREEDERS")
    assert "Added: 2 members" in capsys.readouterr().out
    call_command("load_stock", str(EXAMPLE))
    assert "Nothing new" in capsys.readouterr().out
    bad = _copy(tmp_path, queens=lambda lines: [*lines, "X1,Nobody,,,,2024,,,,,"])
    with pytest.raises(CommandError, match="Bad rows: 1"):
        call_command("load_stock", str(bad))
    assert "queens.csv, line 13: There is no member Nobody." in capsys.readouterr().err
    for arguments, text in (
        ([str(tmp_path / "away")], "There is no folder"),
        ([str(EXAMPLE), "--cooperative", "Other"], "There is no cooperative"),
    ):
        with pytest.raises(CommandError, match=text):
            call_command("load_stock", *arguments)
    CooperativeFactory()
    with pytest.raises(CommandError, match="several cooperatives"):
        call_command("load_stock", str(EXAMPLE))
