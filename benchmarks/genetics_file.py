"""Times of `manage.py genetics_file` on a simulated study, as JSON and as CSV tables.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m benchmarks.genetics_file [--colonies 20000] [--traits 3]

Measured, not asserted: CPU seconds of the command as the system counts them, start of Python and Django included.
"""

import argparse
import csv
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

MANAGE = Path(__file__).parents[1] / "manage.py"
SISTERS, SOURCES, PER_PLACE = 12, 3, 40


def study(colonies: int, traits: int, generations: int = 10, seed: int = 1) -> dict[str, Any]:
    """Sisters inseminated from pools of last generation's queens; records without genetics: times alone count."""
    rng = np.random.default_rng(seed)
    names = [f"trait{k}" for k in range(traits)]
    queens, matings, records = [], {}, []
    older: list[str] = []
    per = colonies // generations
    for g in range(generations):
        ids = [f"g{g}q{i}" for i in range(per)]
        breeders = rng.choice(older, max(4, per // 5), replace=False).tolist() if older else []
        dam: str | None = None
        sources: list[str] = []
        for i, id_ in enumerate(ids):
            if older and i % SISTERS == 0:
                dam = breeders[rng.integers(len(breeders))]
                sources = rng.choice(breeders, SOURCES, replace=False).tolist()
            queens.append({"id": id_, "dam": dam})
            pool = {"type": "pool", "dpqs": [{"id": s, "weight": 1.0, "n_drones": 4} for s in sources]}
            matings[id_] = pool if older else {"type": "open", "n_drones": 12}
            values = {name: round(float(rng.normal(30, 8)), 2) for name in names}
            records.append({"queen": id_, "fixed": {"place": f"{i // PER_PLACE}/{g}"}, "values": values})
        older = ids
    G0 = np.kron(np.eye(traits), [[40.0, -10.0], [-10.0, 20.0]])
    return {
        "format": "genetics/1",
        "pedigree": {"queens": queens, "matings": matings},
        "records": records,
        "model": {"fixed": ["place"]},
        "parameters": {"traits": names, "G0": G0.tolist(), "R0": (35.0 * np.eye(traits)).tolist()},
        "ask": {"inbreeding": True, "values": True, "merit": {"weights": dict.fromkeys(names, 1.0)}},
    }


def as_tables(document: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The same study with its pedigree and records in a folder of tables."""
    folder.mkdir()
    pedigree, names = document["pedigree"], document["parameters"]["traits"]

    def write(name, head, rows):
        with (folder / name).open("w", newline="") as file:
            csv.writer(file).writerows([head, *rows])

    write("queens.csv", ("queen", "mother"), ((q["id"], q["dam"] or "") for q in pedigree["queens"]))
    write(
        "matings.csv",
        ("queen", "kind", "drone_queen", "volume_ul", "drones"),
        (
            row
            for id_, m in pedigree["matings"].items()
            for row in (
                [(id_, "pool", s["id"], s["weight"], s["n_drones"]) for s in m["dpqs"]]
                if m["type"] == "pool"
                else [(id_, "open", "", "", m["n_drones"])]
            )
        ),
    )
    rows = ((r["queen"], r["fixed"]["place"], *(r["values"][n] for n in names)) for r in document["records"])
    write("records.csv", ("queen", "place", *names), rows)
    return {key: value for key, value in document.items() if key != "records"} | {"pedigree": {"csv": folder.name}}


def timed(source: Path, out: Path) -> str:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, str(MANAGE), "genetics_file", str(source), "--out", str(out)], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    found = json.loads((out / "result.json" if out.is_dir() else out).read_text())["solver"]
    files = out.iterdir() if out.is_dir() else [out]
    size = sum(f.stat().st_size for f in files) / 1e6
    return f"{cpu:6.1f} CPU s, peak {found['peak_mb']:5.0f} MB, result {size:5.1f} MB ({found['method']})"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--colonies", type=int, nargs="+", default=[20_000])
    parser.add_argument("--traits", type=int, default=3)
    asked = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f}, threads {os.environ.get('OMP_NUM_THREADS', 'all')}")
    for colonies in asked.colonies:
        document = study(colonies, asked.traits)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "file.json").write_text(json.dumps(document))
            (folder / "study.json").write_text(json.dumps(as_tables(document, folder / "tables")))
            size = f"{colonies} colonies, {asked.traits} traits"
            print(f"{size}, JSON:   {timed(folder / 'file.json', folder / 'out.json')}")
            print(f"{size}, tables: {timed(folder / 'study.json', folder / 'out')}")


if __name__ == "__main__":
    main()
