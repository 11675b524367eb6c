"""Copies the listed files of others to static/ and to the browser tests, each with a MANIFEST.json of what they are.

Use: `npm install --prefix vendor`, then `python vendor/copy_files.py`. The copies are committed; tests/test_vendor.py
checks their hashes.
"""

import hashlib
import json
import re
import shutil
from pathlib import Path

HERE = Path(__file__).resolve().parent
MODULES = HERE / "node_modules"
STATIC = HERE.parent / "static"
TESTS = HERE.parent / "tests" / "browser"
FONTS = {
    "@fontsource-variable/bitter": "bitter",
    "@fontsource-variable/public-sans": "public-sans",
    "@fontsource-variable/atkinson-hyperlegible-mono": "atkinson-hyperlegible-mono",
}
SUBSETS = ("latin", "latin-ext")
ICON_PACKAGE = "lucide-static"
ICONS = (HERE / "icons.txt").read_text().split()


def main() -> None:
    _say(STATIC, [*copy_fonts(), *copy_icons()])
    _say(TESTS, copy_axe())


def _say(root: Path, files: list[dict[str, str]]) -> None:
    manifest = root / "vendor" / "MANIFEST.json"
    manifest.write_text(json.dumps(files, indent=2) + "\n")
    print(f"{len(files)} files in {manifest.relative_to(HERE.parent)}")


def copy_axe() -> list[dict[str, str]]:
    """The checker of accessibility rules: a tool of the tests, never served."""
    return [
        _copied("axe-core", "axe.min.js", "vendor/axe.min.js", root=TESTS),
        _copied("axe-core", "LICENSE", "vendor/axe-LICENSE.txt", root=TESTS),
    ]


def copy_fonts() -> list[dict[str, str]]:
    entries = []
    for package, font in FONTS.items():
        names = [f"{font}-{subset}-wght-normal.woff2" for subset in SUBSETS]
        entries += [_copied(package, f"files/{name}", f"vendor/fonts/{name}") for name in names]
        entries.append(_copied(package, "LICENSE", f"vendor/fonts/{font}-OFL.txt"))
    return entries


def copy_icons() -> list[dict[str, str]]:
    """Cut one sprite of the wanted icons and our own glyphs."""
    own = re.findall(r"<symbol.*?</symbol>", (HERE / "glyphs.svg").read_text(), re.DOTALL)
    cut = [_symbol(name) for name in ICONS]
    sprite = STATIC / "icons.svg"
    licence = "<!-- Icons: Lucide, ISC, vendor/lucide-LICENSE.txt; queen, drone, tip, logo: Broodtide -->"
    sprite.write_text(
        "\n".join(['<svg xmlns="http://www.w3.org/2000/svg">', licence, *sorted(cut), *own, "</svg>"]) + "\n"
    )
    return [
        _entry(ICON_PACKAGE, "icons.svg"),
        _copied(ICON_PACKAGE, "LICENSE", "vendor/lucide-LICENSE.txt"),
    ]


def _symbol(name: str) -> str:
    text = (MODULES / ICON_PACKAGE / "icons" / f"{name}.svg").read_text()
    body = re.sub(r"\s*\n\s*", "", text[text.index(">", text.index("<svg")) + 1 : text.index("</svg>")])
    return f'<symbol id="{name}" viewBox="0 0 24 24">{body.replace(" />", "/>")}</symbol>'


def _copied(package: str, source: str, target: str, *, root: Path = STATIC) -> dict[str, str]:
    path = root / target
    path.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(MODULES / package / source, path)
    return _entry(package, target, root=root)


def _entry(package: str, target: str, *, root: Path = STATIC) -> dict[str, str]:
    about = json.loads((MODULES / package / "package.json").read_text())
    return {
        "file": target,
        "name": package,
        "version": about["version"],
        "licence": about["license"],
        "sha256": hashlib.sha256((root / target).read_bytes()).hexdigest(),
    }


if __name__ == "__main__":
    main()
