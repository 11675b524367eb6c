"""Planned crosses: a mother with the drone sources wanted for her daughters, for one season."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import AuditEntry, Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import CrossShare, PlannedCross, Queen, QueenStatus
from breeding.services.rules import local_day

SOURCES_AT_MOST = 10
WHOLE = 1000  # share of all semen [per mille]
YEARS_AHEAD = 3


@dataclass(frozen=True)
class WantedCross:
    """`shares`: drone-producing queen -> part of the semen, in any unit."""

    mother: Queen
    shares: Mapping[Queen, float]


def cross_save(
    cooperative: Cooperative,
    *,
    mother: Queen,
    shares: Mapping[Queen, float],
    season_year: int,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> PlannedCross:
    """Write one planned cross down; the same mother, sources and season again give the one that is there."""
    return crosses_save(cooperative, [WantedCross(mother, shares)], season_year=season_year, note=note, by=by, now=now)[
        0
    ]


def crosses_save(
    cooperative: Cooperative,
    wanted: Sequence[WantedCross],
    *,
    season_year: int,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> list[PlannedCross]:
    """All or none of several crosses, in the order given."""
    if not wanted:
        raise Refusal(_("There is no cross to save."), rule="nothing")
    this_year = local_day(now, cooperative).year
    if not this_year <= season_year <= this_year + YEARS_AHEAD:
        raise Refusal(
            _("A cross is planned for %(first)s to %(last)s. Choose one of these years.")
            % {"first": this_year, "last": this_year + YEARS_AHEAD},
            field="season_year",
            rule="season_year",
        )
    for cross in wanted:
        _check(cooperative, cross)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        there = {_key(cross): cross for cross in _of_year(cooperative, season_year)}
        made: list[PlannedCross] = []
        for cross in wanted:
            permille = permille_of({queen.pk: share for queen, share in cross.shares.items()})
            key = (cross.mother.pk, tuple(sorted(permille.items())))
            if key not in there:
                there[key] = _create(
                    cooperative, cross.mother.pk, permille, season_year=season_year, note=note, by=by, now=now
                )
            made.append(there[key])
    return made


def cross_remove(cross: PlannedCross, *, by: Person | None, now: dt.datetime) -> AuditEntry:
    """Take a planned cross back. The row of the history holds what `cross_restore` needs."""
    with transaction.atomic():
        held = PlannedCross.objects.select_for_update(of=("self",)).filter(pk=cross.pk).first()
        if held is None:
            raise Refusal(_("This cross was removed already."), rule="gone")
        entry = audit_record(
            held, action="cross.remove", by=by, now=now, cooperative=held.cooperative, before=_written(held)
        )
        held.delete()
    return entry


def cross_restore(entry: AuditEntry, *, by: Person | None, now: dt.datetime) -> PlannedCross:
    """Bring a removed cross back; asking twice gives the one that is there."""
    before: dict[str, Any] = entry.before
    permille = {int(pk): int(share) for pk, share in before["shares"].items()}
    assert entry.cooperative is not None
    queens = {int(before["mother"]), *permille}
    if Queen.objects.filter(pk__in=queens, cooperative=entry.cooperative).count() != len(queens):
        raise Refusal(_("One of its queens is not in the stock any more."), rule="queen_gone")
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=entry.cooperative.pk)
        year = int(before["season_year"])
        key = (int(before["mother"]), tuple(sorted(permille.items())))
        for cross in _of_year(entry.cooperative, year):
            if _key(cross) == key:
                return cross
        return _create(entry.cooperative, key[0], permille, season_year=year, note=before["note"], by=by, now=now)


def permille_of(shares: Mapping[int, float]) -> dict[int, int]:
    """Whole thousandths that sum to all of the semen; the largest remainders are rounded up."""
    whole = sum(shares.values())
    exact = {pk: share / whole * WHOLE for pk, share in shares.items()}
    made = {pk: max(1, int(number)) for pk, number in exact.items()}
    left = WHOLE - sum(made.values())
    for pk in sorted(exact, key=lambda pk: (made[pk] - exact[pk], pk)):
        if left <= 0:
            break
        made[pk] += 1
        left -= 1
    if left < 0:  # tiny shares were raised to one thousandth
        made[max(made, key=lambda pk: made[pk])] += left
    return made


def _check(cooperative: Cooperative, cross: WantedCross) -> None:
    if not cross.shares:
        raise Refusal(_("Name at least one drone source."), field="source_1", rule="no_source")
    if len(cross.shares) > SOURCES_AT_MOST:
        raise Refusal(
            _("At most %(number)s sources make one mixture.") % {"number": SOURCES_AT_MOST}, rule="many_sources"
        )
    if any(not share > 0 for share in cross.shares.values()):
        raise Refusal(_("Every source needs a share above 0."), field="share_1", rule="share")
    for queen in (cross.mother, *cross.shares):
        if queen.cooperative_id != cooperative.pk:
            raise Refusal(_("%(queen)s is not in this stock.") % {"queen": queen}, rule="stranger")
        if queen.status == QueenStatus.GONE:
            raise Refusal(
                _("%(queen)s is gone. Choose a living queen, or correct her card.") % {"queen": queen}, rule="gone"
            )


def _of_year(cooperative: Cooperative, year: int) -> list[PlannedCross]:
    return list(
        PlannedCross.objects.filter(cooperative=cooperative, season_year=year)
        .select_related("mother", "cooperative")
        .prefetch_related("shares")
    )


def _key(cross: PlannedCross) -> tuple[int, tuple[tuple[int, int], ...]]:
    return cross.mother_id, tuple(sorted((row.drone_queen_id, row.share_permille) for row in cross.shares.all()))


def _create(
    cooperative: Cooperative,
    mother_id: int,
    permille: Mapping[int, int],
    *,
    season_year: int,
    note: str,
    by: Person | None,
    now: dt.datetime,
) -> PlannedCross:
    cross = PlannedCross.objects.create(
        cooperative=cooperative,
        mother_id=mother_id,
        season_year=season_year,
        note=note.strip()[:200],
        planned_by=by,
        planned_at=now,
    )
    CrossShare.objects.bulk_create(
        CrossShare(cross=cross, drone_queen_id=pk, share_permille=share) for pk, share in permille.items()
    )
    audit_record(cross, action="cross.save", by=by, now=now, cooperative=cooperative, after=_written(cross))
    return cross


def _written(cross: PlannedCross) -> dict[str, Any]:
    return {
        "mother": cross.mother_id,
        "season_year": cross.season_year,
        "note": cross.note,
        "shares": {str(row.drone_queen_id): row.share_permille for row in cross.shares.all()},
    }
