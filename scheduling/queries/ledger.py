"""The season's ledger: what each member asked for, got and gave. Everybody in the cooperative sees it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from django.db.models import Aggregate, Count, F, QuerySet, Sum
from django.utils.translation import gettext as _

from accounts.models import Member
from accounts.tables import Table
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    DroneCohort,
    DroneTally,
    LotPart,
    PlaceState,
    Season,
    SessionState,
)
from scheduling.planning.timing import elapsed_hours

TABLE = [
    "member", "asked", "served", "placed", "offered", "share", "drones_reared", "drones_brought", "bench_days",
    "bench_hours",
]  # fmt: skip
NOT_ASKED = [BookingState.NOT_SENT, BookingState.WITHDRAWN]


@dataclass(frozen=True)
class LedgerRow:
    """One member's season. Queens: `asked`, `served` at the bench, `placed` and `offered` still to come.

    Drones: `reared` as last counted, `brought` as tallied at the bench. Work: bench days run, and their hours.
    """

    member: Member
    asked: int = 0
    served: int = 0
    placed: int = 0
    offered: int = 0
    reared: int = 0
    brought: int = 0
    bench_days: int = 0
    bench_hours: float = 0.0

    @property
    def got(self) -> int:
        return self.served + self.placed + self.offered

    @property
    def share(self) -> Fraction | None:
        """What it got of what it asked; None when it asked for nothing."""
        return Fraction(self.got, self.asked) if self.asked else None

    @property
    def share_percent(self) -> int | None:
        return None if self.share is None else round(100 * self.share)


def ledger_of(season: Season) -> list[LedgerRow]:
    """A row for every member of the cooperative that asked, got or gave anything, the lowest share first."""
    asked = _by_member(
        Booking.objects.filter(season=season).exclude(state__in=NOT_ASKED), "member", total=Sum("queens")
    )
    places = {state: _places(season, state) for state in (PlaceState.DONE, PlaceState.HELD, PlaceState.OFFERED)}
    reared = _reared(season)
    brought = _by_member(
        DroneTally.objects.filter(lot__session__season=season, lot__source__isnull=False, undone_at__isnull=True),
        "lot__source__member",
        total=Sum("drones"),
    )
    parts = LotPart.objects.filter(lot__session__season=season, undone_at=None)
    for member, drones in parts.values_list("source__member", "drones"):
        brought[member] = brought.get(member, 0) + drones
    days, hours = _bench_work(season)
    known = {pk for found in (asked, *places.values(), reared, brought, days) for pk in found}
    members = Member.objects.filter(cooperative=season.cooperative_id, pk__in=known).order_by("name", "pk")
    rows = [
        LedgerRow(
            member,
            asked=asked.get(member.pk, 0),
            served=places[PlaceState.DONE].get(member.pk, 0),
            placed=places[PlaceState.HELD].get(member.pk, 0),
            offered=places[PlaceState.OFFERED].get(member.pk, 0),
            reared=reared.get(member.pk, 0),
            brought=brought.get(member.pk, 0),
            bench_days=days.get(member.pk, 0),
            bench_hours=round(hours.get(member.pk, 0.0), 1),
        )
        for member in members
    ]
    return sorted(rows, key=lambda row: (row.share is None, row.share or Fraction(0)))


def ledger_table(season: Season) -> Table:
    """The rows of the page. The share is a part of one."""
    rows = [
        [
            row.member.name, row.asked, row.served, row.placed, row.offered,
            None if row.share is None else round(float(row.share), 4), row.reared, row.brought, row.bench_days,
            row.bench_hours,
        ]
        for row in ledger_of(season)
    ]  # fmt: skip
    return Table(f"ledger-{season.year}", TABLE, rows)


def ledger_order(season: Season, bookings: Iterable[Booking]) -> list[Booking]:
    """Bookings in the order in which freed places are offered, by the season's own order of priorities."""
    rows = {row.member.pk: row for row in ledger_of(season)}

    def key(booking: Booking) -> tuple[object, ...]:
        row = rows.get(booking.member_id)
        share = row.share if row is not None and row.share is not None else Fraction(0)
        gave = max(row.reared, row.brought) if row is not None else 0
        return (
            share if season.even_shares_first else Fraction(0),
            -gave if season.given_counts else 0,
            booking.asked_at,
            booking.pk,
        )

    return sorted(bookings, key=key)


def priorities_words(season: Season) -> list[str]:
    """The season's order of priorities, as sentences, the first first."""
    words = [_("Whoever has a place keeps it as far as the rules allow.")]
    even = _("The member with the smallest share of the queens asked for comes next.")
    most = _("As many queens as possible are served, those in their last possible days first.")
    words += [even, most] if season.even_shares_first else [most]
    if season.given_counts:
        words.append(_("At equal shares, whoever gave more drones this season comes first."))
    words.append(_("At equal standing, whoever asked first comes first."))
    words.append(_("Merit of the mating and the best age of the queens decide among plans that serve the same queens."))
    return words


def _by_member(rows: QuerySet[Any], path: str, *, total: Aggregate) -> dict[int, int]:
    found = rows.order_by().values_list(path).annotate(total=total)
    return {int(member): int(number or 0) for member, number in found}


def _places(season: Season, state: str) -> dict[int, int]:
    places = BenchPlace.objects.filter(session__season=season, state=state)
    return _by_member(places, "booking__member", total=Count("pk"))


def _reared(season: Season) -> dict[int, int]:
    """Drones of each member's combs as last counted, emerged before capped; a promise is none reared."""
    found: dict[int, int] = {}
    cohorts = DroneCohort.objects.filter(source__season=season).select_related("source").prefetch_related("counts")
    for cohort in cohorts:
        counts = [count for count in cohort.counts.all() if count.replaced_by_id is None]
        for kind in ("emerged", "capped"):
            of_kind = [count for count in counts if count.kind == kind]
            if of_kind:
                last = max(of_kind, key=lambda count: (count.counted_on, count.pk))
                found[cohort.source.member_id] = found.get(cohort.source.member_id, 0) + last.number
                break
    return found


def _bench_work(season: Season) -> tuple[Mapping[int, int], Mapping[int, float]]:
    """Bench days run by persons of each member, and their hours; somebody of two members counts for both."""
    days: dict[int, int] = {}
    hours: dict[int, float] = {}
    sessions = (
        BenchSession.objects.filter(season=season, state=SessionState.CLOSED, operator__isnull=False)
        .filter(operator__members__cooperative=F("season__cooperative"))
        .values_list("operator__members", "opened_at", "closed_at")
    )
    for member, opened_at, closed_at in sessions:
        days[member] = days.get(member, 0) + 1
        if opened_at is not None and closed_at is not None:
            hours[member] = hours.get(member, 0.0) + float(elapsed_hours(opened_at, closed_at))
    return days, hours
