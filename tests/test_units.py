"""The units of systemd start what exists, as nobody who may do more."""

import configparser
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from django.core.management import get_commands, load_command_class

ROOT = Path(__file__).resolve().parent.parent
UNITS = sorted((ROOT / "deploy/systemd").iterdir())
SERVICES = [path for path in UNITS if path.suffix == ".service"]


def unit(path: Path) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=True, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_unit_starts_a_command_with_options_that_it_takes(path: Path) -> None:
    words = shlex.split(unit(path)["Service"]["ExecStart"])
    assert words[:2] == ["/opt/broodtide/.venv/bin/python", "manage.py"]
    command = load_command_class(get_commands()[words[2]], words[2])
    command.create_parser("manage.py", words[2]).parse_args(words[3:])


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_a_unit_runs_without_rights_and_writes_only_where_it_must(path: Path) -> None:
    service = unit(path)["Service"]
    assert service["User"] == "broodtide"
    assert (service["NoNewPrivileges"], service["ProtectSystem"], service["UMask"]) == ("true", "strict", "0077")
    assert service["ReadWritePaths"].split()[0] == "/var/lib/broodtide"


def test_the_page_names_every_unit_and_every_variable_of_it_exists() -> None:
    page = (ROOT / "docs/mini-pc.md").read_text(encoding="utf-8")
    operations = (ROOT / "docs/operations.md").read_text(encoding="utf-8")
    assert "broodtide.service" in page
    assert "broodtide-backup.timer" in page
    named = {line.strip().split("=")[0] for line in page.splitlines() if line.startswith("    BROODTIDE_")}
    assert {name for name in named if f"`{name}`" not in operations} == set()
    assert len(named) >= 8


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed here")
@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_systemd_itself_understands_the_unit(path: Path, tmp_path: Path) -> None:
    """Its programs stand elsewhere here, so that line alone is exchanged."""
    for each in UNITS:
        text = each.read_text(encoding="utf-8").replace("/opt/broodtide/.venv/bin/python manage.py", "/bin/true")
        (tmp_path / each.name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / path.name)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert [line for line in done.stderr.splitlines() if "broodtide" in line] == []
