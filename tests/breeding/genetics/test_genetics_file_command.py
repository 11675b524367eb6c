"""`manage.py genetics_file`: exit status, result file, nothing half-written."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from breeding.genetics.file_format import answer, read_text
from tests.breeding.genetics.files import worked

MANAGE = Path(__file__).parents[3] / "manage.py"


@pytest.fixture
def paths(tmp_path):
    return tmp_path / "in.json", tmp_path / "out.json"


def test_result_is_written(paths):
    source, out = paths
    source.write_text(json.dumps(worked(values=True)))
    call_command("genetics_file", str(source), "--out", str(out))
    found = json.loads(out.read_text())
    assert found["format"] == "genetics-result/1"
    assert found["values"]["fixed"]["honey"]["year=1"] == pytest.approx(36.5223791)
    assert set(found["solver"]) == {"method", "iterations", "relative_residual", "seconds", "peak_mb"}
    assert sorted(f.name for f in out.parent.iterdir()) == ["in.json", "out.json"]


@pytest.mark.parametrize("content", ["no json", json.dumps(worked(relationship=["Z"])), b"\xff\xfe"])
def test_a_refusal_leaves_no_result(paths, content):
    source, out = paths
    source.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(CommandError) as refused:
        call_command("genetics_file", str(source), "--out", str(out))
    assert refused.value.returncode == 2
    assert [f.name for f in out.parent.iterdir()] == ["in.json"]


def test_a_missing_file_and_a_missing_directory_are_refused(paths):
    source, out = paths
    for given in ((source, out), (source, out.parent / "none" / "out.json")):
        with pytest.raises(CommandError) as refused:
            call_command("genetics_file", str(given[0]), "--out", str(given[1]))
        assert refused.value.returncode == 2


@pytest.mark.parametrize("ask", [{"relationship": ["Z"]}, {"zzz": 1}])
def test_a_refusal_leaves_an_earlier_result_as_it_was(paths, ask):
    source, out = paths
    out.write_text("earlier")
    source.write_text(json.dumps(worked(**ask)))
    with pytest.raises(CommandError) as refused:
        call_command("genetics_file", str(source), "--out", str(out))
    assert refused.value.returncode == 2
    assert out.read_text() == "earlier"


def test_numbers_come_back_with_all_their_digits(paths):
    source, out = paths
    source.write_text("\ufeff" + json.dumps(worked(values=True, relationship=True)), encoding="utf-8")
    call_command("genetics_file", str(source), "--out", str(out))
    found = json.loads(out.read_text())
    expected = answer(read_text(json.dumps(worked(values=True, relationship=True)))).document
    assert found["relationship"] == expected["relationship"]
    assert found["values"] == expected["values"]


def test_the_result_never_stands_in_the_place_of_the_input_or_of_a_folder(paths):
    source, out = paths
    source.write_text(json.dumps(worked(inbreeding=True)))
    for target, said in ((source, "in the place of the input"), (out.parent, "is a folder")):
        before = sorted(out.parent.iterdir())
        with pytest.raises(CommandError, match=said) as refused:
            call_command("genetics_file", str(source), "--out", str(target))
        assert refused.value.returncode == 2
        assert sorted(out.parent.iterdir()) == before
    assert json.loads(source.read_text()) == worked(inbreeding=True)


def test_a_result_that_cannot_be_written_leaves_nothing(paths, monkeypatch):
    source, out = paths
    source.write_text(json.dumps(worked(inbreeding=True)))
    out.write_text("earlier")

    def full_disk(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full_disk)
    with pytest.raises(CommandError, match="cannot be written") as refused:
        call_command("genetics_file", str(source), "--out", str(out))
    assert refused.value.returncode == 2
    assert sorted(f.name for f in out.parent.iterdir()) == ["in.json", "out.json"]
    assert out.read_text() == "earlier"


def test_what_does_not_converge_is_written_and_told_by_the_exit_status(paths):
    source, out = paths
    source.write_text(json.dumps(worked(variance_components={"max_rounds": 1})))
    with pytest.raises(CommandError) as told:
        call_command("genetics_file", str(source), "--out", str(out))
    assert told.value.returncode == 1
    assert json.loads(out.read_text())["variance_components"]["converged"] is False


def test_exit_status_and_message_of_the_command_line(paths):
    source, out = paths
    source.write_text(json.dumps(worked(relationship=["W:P1"])))
    command = [sys.executable, str(MANAGE), "genetics_file", str(source), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=MANAGE.parent, check=False)
    assert done.returncode == 2
    assert 'ask.relationship[0]: queen "P1" has no mating' in done.stderr
    assert not out.exists()
