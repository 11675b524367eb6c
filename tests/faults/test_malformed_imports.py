"""The short form of 10,000 malformed imports; `python -m benchmarks.malformed_imports` is the long one."""

from collections import Counter
from collections.abc import Callable

import pytest
from django.test import Client

from breeding.models import Queen
from tests.breeding.conftest import Stock, client_of, person_of, stock
from tests.malformed import malformed
from tests.malformed_trial import counts, drone_comb, tried

__all__ = ["client_of", "person_of", "stock"]
pytestmark = pytest.mark.django_db
SEEDS = range(24)


def test_no_malformed_table_breaks_anything_or_leaves_a_half(
    client_of: Callable[[str], Client],
    stock: Stock,
) -> None:
    client = client_of("coordinator")
    client.raise_request_exception = False
    drone_comb(stock.queen)
    ends: Counter[str] = Counter()
    for seed in SEEDS:
        came = tried(client, *malformed(seed), stock.owner.pk)
        assert came.worst_status < 500, seed
        ends[came.end] += 1
    assert ends["refused"] > 2, ends
    assert ends["to_mend"] > 2, ends


def test_a_good_table_goes_all_the_way_and_back_and_a_half_one_would_be_seen(
    client_of: Callable[[str], Client],
    stock: Stock,
) -> None:
    """The control."""
    client = client_of("coordinator")
    assert tried(client, "queens", "a.csv", b"Queen\nA 1\n", stock.owner.pk).end == "imported"
    drone_comb(stock.queen)
    table = b"Source,Kind,Date,Number\nFellside,capped,2026-05-12,850\n"
    assert tried(client, "counts", "b.csv", table, stock.owner.pk).end == "imported"
    before = counts()
    Queen.objects.create(cooperative=stock.cooperative, owner=stock.owner, label="half")
    assert counts() != before
