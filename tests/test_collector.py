"""What the garbage collector does in a process that answers requests, tried in a process of its own."""

import subprocess
import sys

GATHERED = """
import gc, weakref
from config.collector import OFTEN, SELDOM, YOUNG_OBJECTS, collector_settle

class Circle:
    def __init__(self):
        self.itself = self

def rounds_until_gone():
    circle = Circle()
    gone = weakref.ref(circle)
    gc.collect(1)  # now it has lived for long
    del circle
    rounds = 0
    while gone() is not None and rounds < 4 * SELDOM * OFTEN:
        kept.append([[] for _ in range(YOUNG_OBJECTS)])
        rounds += 1
    return rounds

kept = []
collector_settle()
print(gc.get_freeze_count(), gc.get_threshold()[0])
print(rounds_until_gone(), rounds_until_gone(), gc.get_freeze_count())
rounds_until_gone()  # the third: nothing is left out after it
print(gc.get_freeze_count())
rounds_until_gone()
print(gc.get_freeze_count())
"""


def test_what_lived_for_long_is_cleared_away_after_some_dozen_rounds() -> None:
    """A round: as many new objects as set the collector off. Web processes gathered 60 MB when it were 400."""
    done = subprocess.run([sys.executable, "-c", GATHERED], capture_output=True, text=True, check=True, timeout=120)
    at_first, young, once, again, second, third, fourth = map(int, done.stdout.split())
    assert young == 20_000
    assert 10 < once < 100
    assert 10 < again < 100
    assert second > at_first + 10 * young  # what the first rounds left is not looked at again
    assert third == second
    assert fourth > third + 10 * young
