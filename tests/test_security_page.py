"""The page on security names tests that are there, and an item of the standard with each point."""

import ast
import re

import pytest

from tests.processes import ROOT

PAGE = (ROOT / "docs/security.md").read_text(encoding="utf-8")
ROWS = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith("| point")]
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", PAGE)))


def test_every_point_has_an_item_of_the_standard_and_a_test() -> None:
    assert len(ROWS) > 20
    for row in ROWS:
        _, _point, items, _how, tests, _ = row.split("|")
        assert re.fullmatch(r"\d+\.\d+\.\d+(, \d+\.\d+\.\d+)*", items.strip()), row
        assert re.search(r"`tests/", tests), row


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_every_test_that_is_named_exists(file: str, name: str) -> None:
    path = ROOT / file
    assert path.is_file()
    functions = {
        node.name for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.FunctionDef)
    }
    assert not name or name in functions
    assert any(function.startswith("test_") for function in functions)
