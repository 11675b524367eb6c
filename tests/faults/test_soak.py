"""Five times the usual load on a served installation (`benchmarks.soak`): nothing lost, nothing kept.

A minute says little of memory: what web processes leave to the collector in it is more than a leak would be. So its
bounds are wide; the long form of two hours takes the slope.
"""

import os

import pytest

from benchmarks.soak import all_told, growths, installed, soak, told_again
from tests.faults.conftest import IS_LONG, short_or_long

pytestmark = [pytest.mark.postgres, pytest.mark.redis]
MINUTES = short_or_long(1, 120)
MORE_MB = {"web": 80.0, "worker": 15.0, "mail": 15.0, "beat": 5.0}
MORE_KEYS = 5
MOST_AN_HOUR = 5.0  # per cent


def test_nothing_is_lost_and_no_process_grows_out_of_bounds() -> None:
    with installed(os.environ["BROODTIDE_DATABASE_URL"]) as all_of_it:
        number, seen, readers = soak(all_of_it, minutes=MINUTES)
        assert all_told(all_of_it.sink, number) == set()
        assert told_again(all_of_it.sink, number) == []
    assert set(readers.statuses) == {200}
    warm = len(seen.at_s) // 2
    assert seen.keys[-1] - seen.keys[warm] <= MORE_KEYS
    if IS_LONG:
        growing = {kind: growth for kind, growth in growths(seen).items() if growth > MOST_AN_HOUR}
        assert growing.keys() - {"keys"} == set()  # a key or two come and go with what is in flight
    else:
        grown = {kind: values[-1] - values[warm] for kind, values in seen.memory_mb.items()}
        assert {kind: more for kind, more in grown.items() if more > MORE_MB[kind]} == {}
