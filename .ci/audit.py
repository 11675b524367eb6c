"""Known weaknesses of what the locks name, by pip-audit; or, where nobody can tell, that they were not audited.

An index that carries no advisories answers like one that knows of no weakness. So a release whose weaknesses have been
public for years is asked about first: when nothing is said of it, nothing can be said of the locks.

Exit: 0 none known, 1 some known, 3 not audited.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
LOCKS = ["run", "fast", "test", "lint"]
KNOWN_WEAK = "django==3.2.0"  # dozens of advisories
NOT_AUDITED = 3
SECONDS = 600

Ask = Callable[[Path], "dict[str, Any] | None"]


def ask(requirements: Path) -> dict[str, Any] | None:
    """What pip-audit says of a file of pins; None when it could not find out about each of them."""
    command = [sys.executable, "-m", "pip_audit", "--strict", "--progress-spinner", "off", "--format", "json"]
    command += ["--disable-pip", "--no-deps", "--requirement", str(requirements)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS, check=False)  # noqa: S603
        said: dict[str, Any] = json.loads(done.stdout)
    except (OSError, subprocess.TimeoutExpired, json.JSONDecodeError):
        return None
    skipped = [one for one in said.get("dependencies", []) if "skip_reason" in one or "vulns" not in one]
    return None if skipped or not said.get("dependencies") else said


def weaknesses(said: dict[str, Any]) -> list[str]:
    return sorted(
        f"{one['name']} {one['version']}: {weak['id']}, {_mended(weak)}"
        for one in said["dependencies"]
        for weak in one["vulns"]
    )


def _mended(weak: dict[str, Any]) -> str:
    return f"mended in {', '.join(weak['fix_versions'])}" if weak.get("fix_versions") else "not mended yet"


def main(asked: Ask = ask, locks: list[Path] | None = None) -> int:
    with tempfile.TemporaryDirectory() as folder:
        weak = Path(folder) / "weak.txt"
        weak.write_text(f"{KNOWN_WEAK}\n", encoding="utf-8")
        said = asked(weak)
        if said is None or not weaknesses(said):
            return _not_audited(f"nothing is said of {KNOWN_WEAK}, whose weaknesses are public")
        found: set[str] = set()
        for lock in locks or [ROOT / "requirements" / f"{name}.txt" for name in LOCKS]:
            said = asked(lock)
            if said is None:
                return _not_audited(f"not everything in {lock.name} could be asked about")
            found |= set(weaknesses(said))
    print("\n".join(sorted(found)) if found else "audited: no weakness is known of anything in the locks")
    return 1 if found else 0


def _not_audited(why: str) -> int:
    print(f"not audited: {why}")
    return NOT_AUDITED


if __name__ == "__main__":
    raise SystemExit(main())
