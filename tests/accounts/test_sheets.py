"""Files that people send are read in a limited process; whatever they hold, the answer is a table or a sentence."""

import datetime as dt
import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from accounts.refusals import Refusal
from accounts.sheets import reading
from accounts.sheets.reading import CHILD, LIMITS, Sheet, sheet_read
from accounts.uploads import MOST_BYTES
from tests.bombs import BOMBS, xlsx_of, xlsx_parts, zipped


def refused(content: bytes) -> str:
    with pytest.raises(Refusal) as found:
        sheet_read(content)
    assert found.value.field == "file"
    return found.value.rule


@pytest.mark.parametrize(
    "content",
    [
        "Königin,Jahr\nÄsche 1,2025\n".encode(),
        "\ufeffKönigin;Jahr\r\n\r\nÄsche 1;2025\r\n".encode(),
        "Königin\tJahr\nÄsche 1\t2025".encode("utf-16"),
        xlsx_of([["Königin", "Jahr"], ["Äsche 1", 2025]]),
    ],
    ids=["comma", "semicolon", "tabs in utf-16", "xlsx"],
)
def test_the_same_table_is_read_from_every_kind_of_file(content: bytes) -> None:
    sheet = sheet_read(content)
    assert (sheet.head, [cells for _line, cells in sheet.lines]) == (["Königin", "Jahr"], [["Äsche 1", "2025"]])


def test_an_old_encoding_is_read_and_told_of() -> None:
    assert sheet_read("Königin\nÄsche\n".encode("cp1252")) == Sheet(["Königin"], [(2, ["Äsche"])], ["old_encoding"])


def test_lines_keep_their_number_in_the_file() -> None:
    assert sheet_read(b"a,b\n\n1,2\n\n,\n3,4\n").lines == [(3, ["1", "2"]), (6, ["3", "4"])]


def test_days_and_figures_of_a_spreadsheet_become_texts_and_formulas_are_never_worked_out() -> None:

    rows: list[list[object]] = [
        ["a"],
        [dt.date(2026, 6, 9)],
        [dt.datetime(2026, 6, 9, 14, 30)],  # noqa: DTZ001 - cells know no zone
        [8.5],
        [0.1 + 0.2],
        [12.0],
        [True],
        ["=1+2"],
    ]
    found = [cells[0] for _line, cells in sheet_read(xlsx_of(rows)).lines]
    assert found == ["2026-06-09", "2026-06-09 14:30", "8.5", "0.3", "12", "1", "=1+2"]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "empty"),
        (b"\n\n ,\n", "empty"),
        (b"a,b\n", "empty"),
        (b"\x89PNG\r\n\x1a\n\0\0", "no_text"),
        ("a,b\n1,2\n".encode("utf-32"), "no_text"),
        ("a,b\n1,\0\n".encode("utf-16"), "no_text"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), "old_office"),
        (b"PK\x03\x04" + bytes(300), "unreadable"),
        (zipped({"a.txt": b"x"}), "not_a_sheet"),
        (b'a,b\n"x,1\n', "no_table"),
        (b"a\n" + b"x\n" * 50_001, "too_many_rows"),
        (b"a\n" + b"\n" * 100_001, "too_many_rows"),
        (b",".join([b"x"] * 61) + b"\ny", "too_many_columns"),
        (b"a\n" + b"x" * 2_001, "long_cell"),
        (b"x" * 5_000_001, "too_big"),
    ],
)
def test_what_is_no_table_is_refused_by_name(content: bytes, rule: str) -> None:
    assert refused(content) == f"sheet_{rule}"


@pytest.mark.parametrize("name", BOMBS)
def test_bombs_are_refused(name: str) -> None:
    """Each is small as a file and would go off inside: far larger unpacked, or nested, or of very many parts."""
    content = BOMBS[name]()
    entries = zipfile.ZipFile(io.BytesIO(content)).infolist()
    is_large = sum(entry.file_size for entry in entries) > 100 * len(content) or len(entries) > 200
    assert len(content) < MOST_BYTES
    assert is_large or name.startswith(("lie", "entities", "outside"))
    assert refused(content) in {"sheet_bomb", "sheet_entities", "sheet_unreadable", "sheet_too_many_rows"}


def test_a_sheet_that_says_it_is_endless_costs_nothing() -> None:
    parts = xlsx_parts([["a", "b"], ["1", "2"]])
    sheet = parts["xl/worksheets/sheet1.xml"]
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"<sheetData>", b'<dimension ref="A1:XFD1048576"/><sheetData>')
    assert b"XFD" in parts["xl/worksheets/sheet1.xml"]
    assert sheet_read(zipped(parts)).lines == [(2, ["1", "2"])]


def test_time_of_the_processor_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """One second is too little for this table; the control: it is read where there is more."""
    content = xlsx_of([["a"] * 20] + [[f"{row}{column}" for column in range(20)] for row in range(7_000)])
    monkeypatch.setitem(LIMITS, "cpu_seconds", 1)
    assert refused(content) == "sheet_too_long"
    monkeypatch.setitem(LIMITS, "cpu_seconds", 20)
    assert len(sheet_read(content).lines) == 7_000


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    content = b"a,b\n" + b"xxxxxxxxxxxxxxxxxxxxxxxxxx,yyyyyyyyyyyyyyyyyyyyyyyyyyyyyyyy\n" * 49_000
    monkeypatch.setitem(LIMITS, "memory_bytes", 40 * 1024 * 1024)
    assert refused(content) == "sheet_too_much_memory"
    monkeypatch.setitem(LIMITS, "memory_bytes", 512 * 1024 * 1024)
    assert len(sheet_read(content).lines) == 49_000


def test_the_process_has_nothing_of_the_app_around_it_and_writes_no_file(tmp_path: Path) -> None:
    """It is started without the surroundings of the web process, where passwords stand."""
    assert "django" not in CHILD.read_text(encoding="utf-8")
    seen: dict[str, object] = {}

    def run(command: list[str], **how: object) -> subprocess.CompletedProcess[bytes]:
        seen.update(how)
        return subprocess.CompletedProcess(command, 0, b'{"lines": [[1, ["a"]], [2, ["b"]]], "notes": []}')

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(subprocess, "run", run)
        sheet_read(b"a\nb\n")
    assert seen["env"] == {}
    writes = (
        f"import json, sys; part = {{'__name__': 'child'}}; exec(open({str(CHILD)!r}).read(), part)\n"
        f"part['bound_itself'](json.loads({json.dumps(LIMITS)!r}))\n"
        f"file = open({str(tmp_path / 'x')!r}, 'w'); file.write('y' * 9); file.close()"
    )
    done = subprocess.run([sys.executable, "-I", "-c", writes], capture_output=True, check=False)
    assert done.returncode != 0
    assert (tmp_path / "x").read_bytes() == b""


def test_a_child_that_dies_is_an_answer_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    child = tmp_path / "child.py"
    child.write_text("import os\nos._exit(1)\n", encoding="utf-8")
    monkeypatch.setattr(reading, "CHILD", child)
    assert refused(b"a\n1\n") == "sheet_too_much_memory"
    child.write_text("import signal\nsignal.pause()\n", encoding="utf-8")
    monkeypatch.setattr(reading, "WALL_SECONDS", 0.2)
    assert refused(b"a\n1\n") == "sheet_too_long"
