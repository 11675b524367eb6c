"""The files of others under static/ and of the browser tests are those of the manifests, and nothing else."""

import hashlib
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[1]
STATIC = ROOT / "static"
MANIFEST = json.loads((STATIC / "vendor" / "MANIFEST.json").read_text())
PACKAGE = json.loads((ROOT / "vendor" / "package.json").read_text())
PINNED = PACKAGE["dependencies"]
TESTS = ROOT / "tests" / "browser"
CHECKER = json.loads((TESTS / "vendor" / "MANIFEST.json").read_text())


@pytest.mark.parametrize("entry", MANIFEST, ids=lambda entry: entry["file"])
def test_vendored_file_has_its_hash(entry: dict[str, str]) -> None:
    assert hashlib.sha256((STATIC / entry["file"]).read_bytes()).hexdigest() == entry["sha256"]


def test_versions_are_those_that_are_pinned() -> None:
    assert {entry["name"]: entry["version"] for entry in MANIFEST} == PINNED


def test_the_checker_of_the_browser_tests_is_the_pinned_one_with_its_licence() -> None:
    hashes = {entry["file"]: hashlib.sha256((TESTS / entry["file"]).read_bytes()).hexdigest() for entry in CHECKER}
    assert hashes == {entry["file"]: entry["sha256"] for entry in CHECKER}
    assert {entry["name"]: entry["version"] for entry in CHECKER} == PACKAGE["devDependencies"]
    assert {path.name for path in (TESTS / "vendor").iterdir()} == {"axe.min.js", "axe-LICENSE.txt", "MANIFEST.json"}


def test_every_vendored_file_is_in_the_manifest() -> None:
    present = {str(path.relative_to(STATIC)) for path in (STATIC / "vendor").rglob("*") if path.is_file()}
    listed = {entry["file"] for entry in MANIFEST if entry["file"].startswith("vendor/")}
    assert present - {"vendor/MANIFEST.json"} == listed


def test_every_package_has_its_licence_text_beside_it() -> None:
    texts = {entry["name"] for entry in MANIFEST if entry["file"].endswith(".txt")}
    assert texts == set(PINNED)


def test_the_sprite_is_sound_and_no_icon_comes_twice() -> None:
    sprite = (STATIC / "icons.svg").read_text()
    ElementTree.fromstring(sprite)
    names = re.findall(r'<symbol id="([^"]+)"', sprite)
    assert len(names) == len(set(names))
    assert {"queen", "drone", "tip", "logo"} <= set(names)


def test_the_stylesheet_is_small_and_asks_no_other_host() -> None:
    css = (STATIC / "css" / "broodtide.css").read_bytes()
    assert len(css) <= 40_000
    addresses = re.findall(r"url\(([^)]+)\)", css.decode())
    assert addresses
    assert all(address.strip("\"'").startswith("../") for address in addresses)
    for address in addresses:
        assert (STATIC / "css" / address.strip("\"'")).resolve().is_file()
