"""Records that cannot both be so are refused with both days, by the rules of the timing engine."""

from collections.abc import Collection

from accounts.refusals import Refusal
from scheduling.models import QueenBatch
from scheduling.planning.timing import BatchEvents, CohortEvents, disorders
from scheduling.queries.batches import batches_with_facts
from scheduling.queries.events import events_of_queen
from scheduling.queries.words import words_of

# Where the calendar and the record name a day differently.
FIELD_OF = {"emergences": "emerged_on", "co2_at": "first_co2_at"}


def refuse_disorder(events: BatchEvents | CohortEvents, *, changed: Collection[str] | None = None) -> None:
    """Refuse a record that stands before one that must come first.

    `changed`: only what has to do with these fields of the record; what was wrong before does not stop other entries.
    """
    for disorder in disorders(events):
        fields = [FIELD_OF.get(name, name) for name in (disorder.field, disorder.before)]
        mine = [name for name in fields if changed is None or name in changed]
        if mine:
            raise Refusal(f"{words_of(disorder.text)} {words_of(disorder.help)}", field=mine[0], rule="dates_in_order")


def refuse_disorder_of_queens(batch: QueenBatch, *, changed: Collection[str]) -> None:
    """The same against what is on record of single queens: gas, doses, looks. `batch` is saved, her day follows it."""
    [fresh] = batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))
    for queen in fresh.batch_queens.all():
        if queen.doses.all() or queen.co2_treatments.all() or queen.checks.all():
            refuse_disorder(events_of_queen(queen, batch=fresh), changed=changed)
