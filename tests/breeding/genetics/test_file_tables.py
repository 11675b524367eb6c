"""A study as CSV tables: the same pedigree as in JSON, refusals with file and line, results as tables."""

import csv
import json
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from breeding.genetics import pedigree as bees
from breeding.genetics.file_format import answer, read_request, read_text, result_tables
from breeding.genetics.types import InputError
from tests.breeding.genetics.files import full, worked

QUEENS = """queen,mother,group
R,Q1,
A,,north
B,,
P1,B,
P2,B,
Q1,A,
Q2,A,
X1,Q2,
X2,Q2,
X3,Q2,
X4,Q2,
"""
MATINGS = """queen,kind,drone_queen,volume_ul,drones,drone,batch,station_mother,station_queens,place,group
A,open,,,12,,,,,,local
B,open,,,10,,,,,,
Q1,pool,P1,3,6,,,,,,
Q1,,P2,1,2,,,,,,
Q2,single_drone,P1,,,k,,,,,
R,dpq,A,,8,,,,,,
X1,batch,,,,,s1,,,,
X2,batch,,,,,s1,,,,
X3,station,,,12,,,B,8,st,
X4,dpq,X4,,many,,,,,,
,,P1,2,4,,s1,,,,
"""
SOURCE = "study.json"


def records_csv(document):
    lines = ["queen,year,feeding,honey,calm"]
    for r in document["records"]:
        cells = [r["queen"], r["fixed"]["year"], r["covariates"]["feeding"], r["values"]["honey"], r["values"]["calm"]]
        lines.append(",".join("" if c is None else str(c) for c in cells))
    return "\n".join(lines) + "\n"


@pytest.fixture
def study(tmp_path):
    """The full file with its pedigree and records in a folder of tables."""
    document = full()
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / "queens.csv").write_text(QUEENS)
    (folder / "matings.csv").write_text(MATINGS)
    (folder / "records.csv").write_text(records_csv(document))
    document["pedigree"] = {"csv": "tables"}
    del document["records"]
    document["ask"]["variance_components"]["max_rounds"] = 100
    (tmp_path / SOURCE).write_text(json.dumps(document))
    return tmp_path


def run(folder, out="result"):
    call_command("genetics_file", str(folder / SOURCE), "--out", str(folder / out))


def refused(folder, out="result"):
    before = {f: f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}
    with pytest.raises(CommandError) as error:
        run(folder, out)
    assert error.value.returncode == 2
    assert {f: f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()} == before
    assert not list(folder.glob(f".{out}*"))
    return str(error.value)


def rows(path):
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def opened(tables):
    return lambda folder, name: tables.get(name, None) and tables[name].splitlines(keepends=True)


def read(tables, **ask):
    document = worked(**ask)
    document["pedigree"] = {"csv": "."}
    del document["records"]
    return read_text(json.dumps(document), opened(tables))


def test_tables_say_the_same_as_the_document(study):
    document = full()
    expected = read_request(document)
    tables = {name: (study / "tables" / name).read_text() for name in ("queens.csv", "matings.csv", "records.csv")}
    source = json.loads((study / SOURCE).read_text())
    found = read_text(json.dumps(source), opened(tables))
    assert found.pedigree.queens == expected.pedigree.queens
    assert found.pedigree.matings == expected.pedigree.matings
    assert found.pedigree.drones == expected.pedigree.drones
    assert found.pedigree.batches == expected.pedigree.batches
    assert found.pedigree.groups == expected.pedigree.groups
    assert found.records == expected.records


def test_the_result_is_a_folder_of_tables_with_the_same_numbers(study):
    document = full()
    document["ask"]["variance_components"]["max_rounds"] = 100
    expected = answer(read_request(document)).document
    try:
        run(study)
    except CommandError as error:
        assert error.returncode == 1  # noqa: PT017 - a few records need not converge
    out = study / "result"
    assert sorted(f.name for f in out.iterdir()) == [
        "brood_viability.csv", "contributions.csv", "crosses.csv", "fixed.csv", "groups.csv", "inbreeding.csv",
        "merit.csv", "performance.csv", "relationship.csv", "result.json", "values.csv",
    ]  # fmt: skip
    values = rows(out / "values.csv")
    assert len(values) == 2 * len(expected["values"]["units"])
    for row in values:
        for key, value in expected["values"]["units"][row["unit"]][row["trait"]].items():
            assert float(row[key]) == pytest.approx(value, rel=1e-12, abs=1e-12)
    for row in rows(out / "merit.csv"):
        assert float(row["merit"]) == pytest.approx(expected["values"]["units"][row["unit"]]["merit"])
    for row in rows(out / "performance.csv"):
        own = expected["values"]["performance"][row["queen"]][row["trait"]]
        assert (float(row["value"]), float(row["rel"])) == pytest.approx((own["value"], own["rel"]))
    for row in rows(out / "inbreeding.csv"):
        F = expected["inbreeding"]
        assert float(row["F_queen"]) == F["queens"][row["queen"]]
        assert float(row["known_generations"]) == F["known_generations"][row["queen"]]
        assert row["F_workers"] == str(F["workers"].get(row["queen"], ""))
    A = rows(out / "relationship.csv")
    assert [row["unit"] for row in A] == expected["relationship"]["units"]
    assert [[float(row[u]) for u in expected["relationship"]["units"]] for row in A] == expected["relationship"]["A"]
    cross = rows(out / "crosses.csv")[0]
    assert json.loads(cross["sources"]) == {"P1": 0.75, "P2": 0.25}
    assert float(cross["honey performance"]) == pytest.approx(expected["crosses"][0]["honey"]["performance"])
    viability = rows(out / "brood_viability.csv")
    assert [(r["queen"], r["n_drones"]) for r in viability] == [("Q1", ""), ("X4", ""), ("R", "10")]
    assert float(viability[1]["expected"]) == 0.5
    shares = rows(out / "contributions.csv")
    assert {r["max_coancestry"] for r in shares} == {"0.14", "0.3"}
    whole = json.loads((out / "result.json").read_text())
    assert whole["format"] == "genetics-result/1"
    assert [s["status"] for s in whole["contributions"]["solutions"]] == ["infeasible", "optimal", "optimal"]
    assert whole["values"]["loglik"] == pytest.approx(expected["values"]["loglik"])
    assert set(whole) == {"format", "values", "variance_components", "brood_viability", "contributions", "solver"}


def test_an_earlier_result_is_replaced_whole_and_nothing_else_is(study):
    document = json.loads((study / SOURCE).read_text())
    document["ask"] = {"inbreeding": True, "relationship": ["A"]}
    (study / SOURCE).write_text(json.dumps(document))
    run(study)
    document["ask"] = {"inbreeding": True}
    (study / SOURCE).write_text(json.dumps(document))
    run(study)
    assert sorted(f.name for f in (study / "result").iterdir()) == ["inbreeding.csv", "result.json"]
    assert sorted(f.name for f in study.iterdir()) == ["result", SOURCE, "tables"]
    assert "holds something else than an earlier result" in refused(study, "tables")
    (study / "file").write_text("kept")
    assert "holds something else" in refused(study, "file")
    (study / "empty").mkdir()
    run(study, "empty")
    assert (study / "empty" / "result.json").is_file()


CHANGES = [
    ("queens.csv", "P1,B,", "P1,B9,", 'queens.csv line 5, mother: unknown queen "B9"'),
    ("queens.csv", "P2,B,", "P1,B,", 'queens.csv line 6, queen: queen "P1" stands twice (also line 5)'),
    ("queens.csv", "P2,B,", ",B,", "queens.csv line 6, queen: must not be empty"),
    ("queens.csv", "P2,B,", "W:P2,B,", 'queens.csv line 6: "W:P2" reads like a unit'),
    ("queens.csv", "A,,north", "A,R,", "queens.csv line 2: loop in time: R ← Q1 ← A ← R"),
    ("queens.csv", "P2,B,", "P2,B,,,", "queens.csv line 6: has more cells than there are columns"),
    ("queens.csv", "mother", "dam", 'queens.csv line 1: unknown column "dam" (known here: queen, mother, group'),
    ("queens.csv", "mother", "queen", 'queens.csv line 1: column "queen" stands twice'),
    ("queens.csv", "queen,mother", "label,mother", 'queens.csv line 1: unknown column "label"'),
    ("queens.csv", "P2,B,", 'P2,"B', "queens.csv line 12: cannot be read"),
    ("matings.csv", "R,dpq,A", "R,dpq,P9", 'matings.csv line 7, drone_queen: unknown queen "P9"'),
    ("matings.csv", "R,dpq,A", "R9,dpq,A", 'matings.csv line 7, queen: unknown queen "R9"'),
    ("matings.csv", "R,dpq", "R,ai", 'matings.csv line 7, kind: unknown value "ai"'),
    ("matings.csv", "R,dpq,A", "R,dpq,", "matings.csv line 7, drone_queen: must not be empty"),
    ("matings.csv", "R,dpq", "R,", "matings.csv line 7, kind: must not be empty"),
    ("matings.csv", "X1,batch,,,,,s1", "X1,batch,,,,,s2", 'matings.csv line 8, batch: unknown batch "s2"'),
    ("matings.csv", "X1,batch,,,", "X1,batch,,,3", "matings.csv line 8, drones: does not belong to kind batch"),
    ("matings.csv", "P1,3,6", "P1,0,6", "matings.csv line 4, volume_ul: must be above 0, not 0"),
    ("matings.csv", "P1,3,6", "P1,x,6", 'matings.csv line 4, volume_ul: must be a number, not "x"'),
    ("matings.csv", "P1,3,6", "P1,nan,6", 'matings.csv line 4, volume_ul: must be a number, not "nan"'),
    ("matings.csv", "P1,3,6", "P1,,6", "matings.csv line 5, volume_ul: must stand with every source"),
    ("matings.csv", "P1,3,6", "P1,3,0", 'matings.csv line 4, drones: must be a whole number from 1 on, not "0"'),
    ("matings.csv", "Q1,,P2", "Q1,dpq,P2", 'matings.csv line 5, kind: says "dpq", line 4 says "pool"'),
    ("matings.csv", "X4,dpq", "R,dpq", 'matings.csv line 11, queen: "R" has a row already (line 7)'),
    ("matings.csv", ",,P1,2,4,,s1", ",,P1,2,4,,", "matings.csv line 12, queen: must not be empty, unless"),
    ("matings.csv", "X4,dpq,X4,,many,,", "X4,single_drone,B,,,k,", 'matings.csv line 11, drone: drone "k" stands in'),
    ("matings.csv", "X4,dpq,X4,,many,,,,,", "X4,station,,,,,,B,7,st", 'matings.csv line 11, place: station "st" has'),
    ("records.csv", "A,1,0.0", "A9,1,0.0", 'records.csv line 2, queen: unknown queen "A9"'),
    ("records.csv", "A,1,0.0", "A,,0.0", "records.csv line 2, year: is empty; the model needs it"),
    ("records.csv", "A,1,0.0", "A,1,", "records.csv line 2, feeding: is empty; the model needs it"),
    ("records.csv", "A,1,0.0", "A,1,inf", 'records.csv line 2, feeding: must be a number, not "inf"'),
    ("records.csv", "32.0", "3_2", 'records.csv line 2, honey: must be a number, not "3_2"'),
    ("records.csv", "honey", "hony", 'records.csv line 1: column "honey" is missing'),
    ("records.csv", "year", "yr", 'records.csv line 1: column "year" is missing'),
]


@pytest.mark.parametrize(("name", "old", "new", "said"), CHANGES, ids=[said[:60] for *_, said in CHANGES])
def test_a_bad_cell_is_refused_with_file_and_line_and_nothing_is_written(study, name, old, new, said):
    path = study / "tables" / name
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    assert refused(study).startswith(said)


def test_a_missing_folder_or_table_and_a_broken_encoding_are_refused(study):
    (study / "tables" / "matings.csv").write_bytes(b"queen,kind\n\xff\xfe,open\n")
    assert refused(study) == "matings.csv: is not UTF-8; save it with this encoding"
    (study / "tables" / "queens.csv").unlink()
    assert refused(study) == 'pedigree.csv: there is no queens.csv in "tables"'
    document = json.loads((study / SOURCE).read_text())
    document["pedigree"]["csv"] = "none"
    (study / SOURCE).write_text(json.dumps(document))
    assert refused(study) == 'pedigree.csv: there is no folder "none"'


def test_records_stand_in_one_place(study):
    document = json.loads((study / SOURCE).read_text())
    document["records"] = []
    (study / SOURCE).write_text(json.dumps(document))
    assert refused(study) == "records: stand in records.csv already; give them once"
    (study / "tables" / "records.csv").unlink()
    document["records"] = full()["records"]
    document["ask"] = {"values": True}
    (study / SOURCE).write_text(json.dumps(document))
    run(study)
    assert rows(study / "result" / "values.csv")
    del document["records"]
    (study / SOURCE).write_text(json.dumps(document))
    assert refused(study, "other").startswith("records: is missing; ask.values needs it")


def test_what_nobody_counted_has_the_documented_defaults():
    tables = {
        "queens.csv": "queen\n" + "".join(f"{q}\n" for q in "ABCDEFG"),
        "matings.csv": (
            "queen;kind;drone_queen;volume_ul;drones;batch\n"
            "A;open;;;;\nB;station;;;;\nC;dpq;A;;;\nD;dpq;A;2,6;;\nE;pool;A;;;\nE;pool;B;;;\nF;single_drone;;;;\n"
        ),
    }
    found = read(tables).pedigree
    assert found.matings == {
        "A": bees.Open(12),
        "B": bees.Station("B", 12),
        "C": bees.OneSource("A", 8),
        "D": bees.OneSource("A", 3),
        "E": bees.Pool((bees.DroneShare("A", 1.0, 4), bees.DroneShare("B", 1.0, 4))),
        "F": bees.SingleDrone("F"),
    }
    assert found.groups == (bees.SisterGroup("B", None, 8),)
    assert found.drones == (bees.Drone("F", None),)


def test_the_stock_tables_of_the_example_are_a_study_too():
    folder = Path(__file__).parents[3] / "docs" / "examples" / "stock"
    tables = {name: (folder / name).read_text() for name in ("queens.csv", "matings.csv")}
    request = read(tables, inbreeding=True)
    found = answer(request).document
    assert len(found["inbreeding"]["queens"]) == len(request.pedigree.queens) > 5
    assert [t.name for t in result_tables(found)[0]] == ["inbreeding.csv"]


def test_without_a_way_to_tables_they_are_refused():
    with pytest.raises(InputError) as error:
        read_text(json.dumps({"format": "genetics/1", "pedigree": {"csv": "x"}, "ask": {}}))
    assert str(error.value) == "pedigree.csv: tables cannot be read here"


def test_the_example_study_of_the_documentation_is_answered(tmp_path):
    folder = Path(__file__).parents[3] / "docs" / "examples" / "study"
    call_command("genetics_file", str(folder / "study.json"), "--out", str(tmp_path / "result"))
    found = json.loads((tmp_path / "result" / "result.json").read_text())
    assert [s["status"] for s in found["contributions"]["solutions"]] == ["infeasible", "optimal", "optimal"]
    brood = {row["queen"]: float(row["expected"]) for row in rows(tmp_path / "result" / "brood_viability.csv")}
    assert brood["Rowan"] == pytest.approx(0.5, abs=0.01)
    assert len(rows(tmp_path / "result" / "values.csv")) == 2 * (3 * 13 + 2)
