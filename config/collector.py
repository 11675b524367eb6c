"""What the garbage collector does not have to look at again and again in a process that answers requests."""

import gc
import itertools

#: New objects that set it off; with Python's own 700 every page of a long list does so many times.
YOUNG_OBJECTS = 20_000
#: Rounds after which the middle ones are looked through. What a page leaves behind is cleared away in small pieces so;
#: with 20 the one page in ten that it falls to takes 250 ms longer, and all of them together no less.
OFTEN = 2
#: Rounds of these after which what has lived for long is looked through: a process that reads pages of the practice
#: season does so every 750 requests. Some 80 things of each request wait for it, in circles that outlived their page;
#: with 200 a process had gathered 60 MB of them by its 4000th request.
SELDOM = 20
OLDEST = 2  # generation of the collector


_rounds = itertools.count(1)


def collector_settle() -> None:
    """Leave everything that is loaded by now out of every later collection: it lives as long as the process.

    A full collection of a started program takes as long as a page, and it falls into the middle of one. What is loaded
    with the first pages (templates, kept questions, what sources teach) is left out after the first of them, and what
    came later after the second, fourth, eighth and so on: so seldom that circles of the moment, which are left out with
    it, add up to nothing.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG_OBJECTS, OFTEN, SELDOM)
    gc.callbacks.append(_settle_again)


def _settle_again(phase: str, info: dict[str, int]) -> None:
    if phase == "stop" and info["generation"] == OLDEST and next(_rounds).bit_count() == 1:
        gc.freeze()
