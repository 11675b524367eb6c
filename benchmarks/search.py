"""Time of one search in a cooperative of 20,000 queens.

    python -m benchmarks.search

On the database of the settings, in a transaction that is taken back. Wall seconds of one request's search, the median
and the 95th of a hundred, and what a look at every label would take. Measured, not asserted.
"""

import datetime as dt
import os
import statistics
import time
from collections.abc import Callable
from typing import Any

import django
from django.db import connection, transaction

REPEATS = 25
WORDS = ["HV-12345", "hv-12", "1234", "nothing like it"]


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    from accounts.access import viewer_of
    from accounts.models import Cooperative, Member, Person, Role, RoleGrant
    from breeding.models import Queen
    from scheduling.queries.search import search

    with transaction.atomic():
        cooperative = Cooperative.objects.create(name="Search", time_zone="Europe/Berlin")
        member = Member.objects.create(cooperative=cooperative, name="Search")
        Queen.objects.bulk_create(
            (Queen(cooperative=cooperative, owner=member, label=f"HV-{number:05}") for number in range(20_000)),
            batch_size=2000,
        )
        person = Person.objects.create(email="search@example.org", name="Search")
        RoleGrant.objects.create(cooperative=cooperative, person=person, role=Role.COORDINATOR)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        viewer = viewer_of(person)
        assert viewer is not None
        today = dt.date(2026, 6, 8)
        print(f"{connection.vendor}, 20,000 queens")
        for words in WORDS:
            _show(words, lambda words=words: search(viewer, words, today=today))  # type: ignore[misc]
        _show("every label", lambda: list(Queen.objects.filter(cooperative=cooperative).values_list("label")))
        transaction.set_rollback(True)


def _show(what: str, work: Callable[[], Any]) -> None:
    taken = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    print(f"  {what:<20} median {statistics.median(taken):.4f} s, 95th {statistics.quantiles(taken, n=20)[-1]:.4f} s")


if __name__ == "__main__":
    main()
