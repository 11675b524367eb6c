"""The parts that an installation is made of, as a CycloneDX file: every pin of `requirements/run.txt` with its hashes.

    python .ci/sbom.py [FILE]      without a file: build/sbom.json

The file is checked against the standard's own schema before it is written. Exit 1 when it does not hold.
"""

import re
import sys
import tomllib
from pathlib import Path

from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packageurl import PackageURL

ROOT = Path(__file__).resolve().parent.parent
PIN = re.compile(r"^([\w.-]+)==([^\s;\\]+)", re.MULTILINE)
HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")


def parts(lock: str) -> list[Component]:
    """A component for each pin, in the lock's order. Each of its hashes is that of one file it is served as."""
    pins = list(PIN.finditer(lock))
    ends = [pin.start() for pin in pins[1:]] + [len(lock)]
    found = []
    for pin, end in zip(pins, ends, strict=True):
        name, version = pin.groups()
        hashes = [HashType(alg=HashAlgorithm.SHA_256, content=one) for one in HASH.findall(lock[pin.start() : end])]
        purl = PackageURL("pypi", name=name.lower(), version=version)
        found.append(
            Component(
                name=name,
                version=version,
                purl=purl,
                bom_ref=purl.to_string(),
                hashes=hashes,
                type=ComponentType.LIBRARY,
            )
        )
    return found


def written(lock: str, version: str) -> str:
    """Raises ValueError, with what the schema has against it."""
    bom = Bom(components=parts(lock))
    bom.metadata.component = Component(name="broodtide", version=version, type=ComponentType.APPLICATION)
    bom.register_dependency(bom.metadata.component, bom.components)
    text = JsonV1Dot6(bom).output_as_string(indent=2)
    if fault := JsonStrictValidator(SchemaVersion.V1_6).validate_str(text):
        raise ValueError(str(fault))
    return text + "\n"


def main() -> int:
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "build/sbom.json"
    version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    lock = (ROOT / "requirements/run.txt").read_text("utf-8")
    try:
        text = written(lock, version)
    except ValueError as fault:
        print(f"The list of parts does not hold to CycloneDX 1.6: {fault}", file=sys.stderr)
        return 1
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(text, "utf-8")
    print(f"{len(parts(lock))} parts in {target}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
