"""Many malformed tables, and the bombs, through the pages: answers, memory, what is left.

    python -m benchmarks.malformed_imports [--files 10000] [--from 0]

Works in a database of its own beside the one that the settings name (as tests do), and drops it. Counts how the files
ended and every answer of 500 or more; prints the most memory of the reading processes and of this one. Ends with 1
where something broke.
"""

import argparse
import os
import resource
import sys
import time
from collections import Counter
from typing import Any


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--from", type=int, default=0, dest="first", help="the first seed")
    wanted = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ |= {"BROODTIDE_WEB_HELPS_SWEEP": "0", "BROODTIDE_LOG_LEVEL": "CRITICAL"}
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection
    from django.test.utils import setup_test_environment

    settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    setup_test_environment()
    connection.creation.create_test_db(verbosity=0)
    try:
        broken = run(range(wanted.first, wanted.first + wanted.files))
    finally:
        connection.creation.destroy_test_db("", verbosity=0)
    sys.exit(1 if broken else 0)


def run(seeds: range) -> int:
    from tests.bombs import BOMBS
    from tests.malformed import malformed
    from tests.malformed_trial import tried

    client, member = signed_in()
    ends: Counter[str] = Counter()
    broken: list[str] = []
    started = time.perf_counter()
    for seed in seeds:
        kind, name, content = malformed(seed)
        try:
            came = tried(client, kind, name, content, member)
        except Exception as error:
            broken.append(f"{name}: {error!r}")
            continue
        ends[came.end] += 1
        if came.worst_status >= 500:
            broken.append(f"{name}: {came.worst_status}")
    print(f"{len(seeds)} files in {time.perf_counter() - started:.0f} s, {dict(ends)}")
    slowest = 0.0
    for name, bomb in BOMBS.items():
        content = bomb()
        started = time.perf_counter()
        came = tried(client, "queens", "bomb.xlsx", content, member)
        slowest = max(slowest, time.perf_counter() - started)
        if came.end != "refused" or came.worst_status >= 500:
            broken.append(f"{name}: {came}")
    print(f"{len(BOMBS)} bombs, slowest answer {slowest:.2f} s, load {os.getloadavg()[0]:.1f}")
    here, child = (resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(f"at most {child:.0f} MB in a reading process, {here:.0f} MB here")
    print(f"broken: {len(broken)}", *broken[:20], sep="\n")
    return len(broken)


def signed_in() -> tuple[Any, int]:
    from django.test import Client

    from tests.factories import HeadingFactory, MemberFactory, PersonFactory, QueenFactory, RoleGrantFactory
    from tests.malformed_trial import drone_comb

    member = MemberFactory(name="Fellside")
    heading = HeadingFactory(
        colony__apiary__member=member, colony__apiary__name="Orchard", colony__name="7",
        queen=QueenFactory(owner=member, label="Rowan 1"),
    )  # fmt: skip
    drone_comb(heading.queen)
    person = PersonFactory()
    RoleGrantFactory(person=person, cooperative=member.cooperative, role="coordinator")
    client = Client(raise_request_exception=False)
    client.force_login(person)
    return client, member.pk


if __name__ == "__main__":
    main()
