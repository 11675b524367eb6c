"""Writing a checked plan in bulk, in the order in which things hang on each other."""

import datetime as dt
from collections.abc import Iterator, Sequence

from django.db.models import Model

from accounts.models import Apiary, Member, Person
from breeding.models import (
    Colony,
    Heading,
    Line,
    Mating,
    MatingShare,
    Queen,
    QueenStatus,
    Score,
    SemenBatch,
    SemenBatchShare,
)
from breeding.services.loading.plan import Key, Plan

AT_ONCE = 2_000


#: Ids of what was written, by model.
Made = dict[str, list[int]]


def write(plan: Plan, *, by: Person | None, now: dt.datetime) -> Made:
    """Inside the caller's transaction. Returns what was made."""
    made: Made = {}
    members = _members(plan, now)
    apiaries = _apiaries(plan, members, now, made)
    queens = _queens(plan, members, _lines(plan, made), now, made)
    _matings(plan, queens, _batches(plan, queens, made), now, made)
    _scores(plan, queens, _colonies(plan, apiaries, queens, now, made), by, now, made)
    return {model: pks for model, pks in made.items() if pks}


def _keep(made: Made, rows: Sequence[Model]) -> None:
    if rows:
        made.setdefault(rows[0]._meta.label_lower, []).extend(row.pk for row in rows)


def _members(plan: Plan, now: dt.datetime) -> dict[Key, int]:
    new = {key: name for key, name in plan.members.items() if isinstance(name, str)}
    made = Member.objects.bulk_create(
        [Member(cooperative=plan.cooperative, name=name, created_at=now) for name in new.values()], batch_size=AT_ONCE
    )
    pks = {key: pk for key, pk in plan.members.items() if isinstance(pk, int)}
    return pks | {key: member.pk for key, member in zip(new, made, strict=True)}


def _apiaries(plan: Plan, members: dict[Key, int], now: dt.datetime, keep: Made) -> dict[Key, int]:
    new = {key: facts for key, facts in plan.apiaries.items() if facts["pk"] is None}
    made = Apiary.objects.bulk_create(
        [
            Apiary(
                member_id=members[facts["member"]],
                name=facts["name"],
                place=facts["place"],
                registration_number=facts["registration_number"],
                created_at=now,
            )
            for facts in new.values()
        ],
        batch_size=AT_ONCE,
    )
    _keep(keep, made)
    pks = {key: facts["pk"] for key, facts in plan.apiaries.items() if facts["pk"] is not None}
    return pks | {key: apiary.pk for key, apiary in zip(new, made, strict=True)}


def _lines(plan: Plan, keep: Made) -> dict[Key, int]:
    new = {key: name for key, name in plan.lines.items() if isinstance(name, str)}
    made = Line.objects.bulk_create(
        [Line(cooperative=plan.cooperative, name=name) for name in new.values()], batch_size=AT_ONCE
    )
    _keep(keep, made)
    pks = {key: pk for key, pk in plan.lines.items() if isinstance(pk, int)}
    return pks | {key: line.pk for key, line in zip(new, made, strict=True)}


def _queens(plan: Plan, members: dict[Key, int], lines: dict[Key, int], now: dt.datetime, keep: Made) -> dict[Key, int]:
    """Generation by generation, for a daughter needs her mother's id."""
    pks = {key: queen.pk for key, queen in plan.queens.items() if queen.pk is not None}
    _late_status(plan, pks)
    waiting = [key for key, queen in plan.queens.items() if queen.pk is None]
    while waiting:
        ready = [key for key in waiting if plan.queens[key].mother is None or plan.queens[key].mother in pks]
        rows = []
        for key in ready:
            queen, facts = plan.queens[key], plan.queens[key].facts
            line = facts["line"] or _line_of_mother(plan, key)
            rows.append(
                Queen(
                    cooperative=plan.cooperative,
                    owner_id=members[facts["owner"]],
                    label=queen.label,
                    mother_id=pks[queen.mother] if queen.mother else None,
                    line_id=lines[line] if line else None,
                    status=_status(plan, key),
                    created_at=now,
                    **{
                        name: facts[name]
                        for name in (
                            "emerged_on", "birth_year", "origin", "mark_number", "gone_on", "gone_reason", "note"
                        )
                    },
                )
            )  # fmt: skip
        made = Queen.objects.bulk_create(rows, batch_size=AT_ONCE)
        _keep(keep, made)
        pks |= {key: queen.pk for key, queen in zip(ready, made, strict=True)}
        done = set(ready)
        waiting = [key for key in waiting if key not in done]
    return pks


def _line_of_mother(plan: Plan, key: Key) -> Key | None:
    """Her mother's line when none is named, as for a queen registered by hand."""
    mother = plan.queens[key].mother
    while mother is not None:
        line: Key | None = plan.queens[mother].facts["line"]
        if line is not None or plan.queens[mother].pk is not None:
            return line
        mother = plan.queens[mother].mother
    return None


def _status(plan: Plan, key: Key) -> str:
    if plan.queens[key].facts["gone_on"] is not None:
        return QueenStatus.GONE
    return QueenStatus.MATED if key in plan.matings else QueenStatus.VIRGIN


def _late_status(plan: Plan, pks: dict[Key, int]) -> None:
    """Virgins that were there and whose mating the folder brings."""
    mated = [pks[key] for key, mating in plan.matings.items() if not mating.is_known and key in pks]
    for part in in_parts(mated):
        Queen.objects.filter(pk__in=part, status=QueenStatus.VIRGIN).update(status=QueenStatus.MATED)


def _batches(plan: Plan, queens: dict[Key, int], keep: Made) -> dict[Key, int]:
    new = {key: batch for key, batch in plan.batches.items() if batch.pk is None}
    made = SemenBatch.objects.bulk_create(
        [
            SemenBatch(
                cooperative=plan.cooperative,
                label=batch.label,
                made_on=batch.made_on,
                total_tenths=sum(share.volume_tenths or 0 for share in batch.shares),
            )
            for batch in new.values()
        ],
        batch_size=AT_ONCE,
    )
    SemenBatchShare.objects.bulk_create(
        [
            SemenBatchShare(
                batch=row,
                drone_queen_id=queens[share.drone_queen],
                volume_tenths=share.volume_tenths or 0,
                drones=share.drones,
            )
            for batch, row in zip(new.values(), made, strict=True)
            for share in batch.shares
        ],
        batch_size=AT_ONCE,
    )
    for part in in_parts([row.pk for row in made]):
        SemenBatch.objects.filter(pk__in=part).update(is_complete=True)
    _keep(keep, made)
    pks = {key: batch.pk for key, batch in plan.batches.items() if batch.pk is not None}
    return pks | {key: row.pk for key, row in zip(new, made, strict=True)}


def _matings(plan: Plan, queens: dict[Key, int], batches: dict[Key, int], now: dt.datetime, keep: Made) -> None:
    new = [mating for mating in plan.matings.values() if not mating.is_known]
    made = Mating.objects.bulk_create(
        [
            Mating(
                queen_id=queens[mating.queen],
                kind=mating.facts["kind"],
                mated_on=mating.facts["mated_on"],
                total_tenths=mating.facts["total_tenths"],
                drones=mating.facts["drones"],
                shared_batch_id=batches[mating.facts["batch"]] if mating.facts["batch"] else None,
                station_mother_id=queens[mating.facts["station_mother"]] if mating.facts["station_mother"] else None,
                station_queens=mating.facts["station_queens"],
                place=mating.facts["place"],
                recorded_at=now,
            )
            for mating in new
        ],
        batch_size=AT_ONCE,
    )
    MatingShare.objects.bulk_create(
        [
            MatingShare(
                mating=row,
                drone_queen_id=queens[share.drone_queen],
                volume_tenths=share.volume_tenths,
                drones=share.drones,
            )
            for mating, row in zip(new, made, strict=True)
            for share in mating.shares
        ],
        batch_size=AT_ONCE,
    )
    _keep(keep, made)
    complete = [
        row.pk
        for mating, row in zip(new, made, strict=True)
        if mating.shares and all(share.volume_tenths is not None for share in mating.shares)
    ]
    for part in in_parts(complete):
        Mating.objects.filter(pk__in=part).update(is_complete=True)


def _colonies(
    plan: Plan, apiaries: dict[Key, int], queens: dict[Key, int], now: dt.datetime, keep: Made
) -> dict[Key, int]:
    new = {key: colony for key, colony in plan.colonies.items() if colony.pk is None}
    made = Colony.objects.bulk_create(
        [
            Colony(apiary_id=apiaries[colony.apiary], name=colony.name, created_at=now, **colony.facts)
            for colony in new.values()
        ],
        batch_size=AT_ONCE,
    )
    _keep(keep, made)
    pks = {key: colony.pk for key, colony in plan.colonies.items() if colony.pk is not None}
    pks |= {key: row.pk for key, row in zip(new, made, strict=True)}
    headings = Heading.objects.bulk_create(
        [
            Heading(colony_id=pks[key], queen_id=queens[heading.queen], since=heading.since, until=heading.until)
            for key, colony in plan.colonies.items()
            for heading in colony.headings
            if not heading.is_known
        ],
        batch_size=AT_ONCE,
    )
    _keep(keep, headings)
    return pks


def _scores(
    plan: Plan, queens: dict[Key, int], colonies: dict[Key, int], by: Person | None, now: dt.datetime, keep: Made
) -> None:
    made = Score.objects.bulk_create(
        [
            Score(
                colony_id=colonies[score.colony],
                queen_id=queens[score.queen],
                trait_id=score.trait_id,
                scored_on=score.scored_on,
                value=score.value,
                part=score.part,
                whole=score.whole,
                method=score.method,
                hours=score.hours,
                note=score.note,
                scored_by=by,
                recorded_at=now,
            )
            for score in plan.scores
        ],
        batch_size=AT_ONCE,
    )
    _keep(keep, made)


def in_parts(pks: Sequence[int]) -> Iterator[Sequence[int]]:
    """A question to the database names only so many at once."""
    for start in range(0, len(pks), AT_ONCE):
        yield pks[start : start + AT_ONCE]
