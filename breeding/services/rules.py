"""Rules that single services and the bulk loader share. They look at values alone and ask no database."""

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from zoneinfo import ZoneInfo

from accounts.models import Cooperative
from accounts.refusals import Refusal
from accounts.told import told as _
from breeding.models import MatingKind

EARLIEST_YEAR = 1950
# Shortest way from the mother's own emergence to the emergence of a daughter of hers: she cannot lay before
# she is mature and mated (5 days), and a queen takes 15 days from the egg.
YOUNGEST_MOTHER = dt.timedelta(days=20)

WITH_SOURCES = {MatingKind.SINGLE_DRONE, MatingKind.DPQ, MatingKind.POOL}
MOST_TENTHS = 500  # more than any recorded dose by far; stops a slip of the point


@dataclass(frozen=True)
class SourceShare:
    """One drone-producing queen's part of a mating or of a batch: her id, her name for sentences, how much."""

    drone_queen_id: int
    label: str
    volume_tenths: int | None = None
    drones: int | None = None


def local_day(now: dt.datetime, cooperative: Cooperative) -> dt.date:
    """The calendar day in the cooperative's zone."""
    return now.astimezone(ZoneInfo(cooperative.time_zone)).date()


def check_not_later(day: dt.date | None, today: dt.date, *, field: str) -> None:
    if day is not None and day > today:
        raise Refusal(
            _("%(day)s is still to come. Enter the day on which it happened.") % {"day": day.isoformat()},
            field=field,
            rule="future_day",
        )


def birth_year_of(emerged_on: dt.date | None, birth_year: int | None, *, today: dt.date) -> int | None:
    """The year that decides her marking colour, from either entry; refused when the two disagree."""
    check_not_later(emerged_on, today, field="emerged_on")
    if emerged_on is not None and birth_year is not None and emerged_on.year != birth_year:
        raise Refusal(
            _("She emerged in %(emerged)s but the year says %(year)s. Leave the year empty or correct one.")
            % {"emerged": emerged_on.year, "year": birth_year},
            field="birth_year",
            rule="year_differs",
        )
    year = emerged_on.year if emerged_on is not None else birth_year
    if year is not None and not EARLIEST_YEAR <= year <= today.year:
        raise Refusal(
            _("The year must lie between %(first)s and %(last)s.") % {"first": EARLIEST_YEAR, "last": today.year},
            field="birth_year" if emerged_on is None else "emerged_on",
            rule="year_range",
        )
    return year


def check_older(
    mother: str,
    mother_emerged: dt.date | None,
    mother_year: int | None,
    daughter_emerged: dt.date | None,
    daughter_year: int | None,
    *,
    field: str = "mother",
) -> None:
    """The mother must be older, by days where both are known, else by years."""
    if mother_emerged is not None and daughter_emerged is not None:
        if daughter_emerged - mother_emerged < YOUNGEST_MOTHER:
            raise Refusal(
                _(
                    "%(mother)s emerged on %(day)s. A daughter of hers can emerge %(days)s days later at the "
                    "earliest. Correct a date or choose another mother."
                )
                % {"mother": mother, "day": mother_emerged.isoformat(), "days": YOUNGEST_MOTHER.days},
                field=field,
                rule="mother_older",
            )
    elif mother_year is not None and daughter_year is not None and mother_year > daughter_year:
        raise Refusal(
            _("%(mother)s is of %(year)s, younger than her daughter. Correct a year or choose another mother.")
            % {"mother": mother, "year": mother_year},
            field=field,
            rule="mother_older",
        )


def check_mating_day(
    mated_on: dt.date | None,
    emerged_on: dt.date | None,
    birth_year: int | None,
    *,
    today: dt.date,
    field: str = "mated_on",
) -> None:
    check_not_later(mated_on, today, field=field)
    if mated_on is None:
        return
    before_birth = (emerged_on is not None and mated_on < emerged_on) or (
        birth_year is not None and mated_on.year < birth_year
    )
    if before_birth:
        raise Refusal(
            _("She had not emerged yet on %(day)s. Correct the day.") % {"day": mated_on.isoformat()},
            field=field,
            rule="mated_before_emergence",
        )


def check_source_age(label: str, source_year: int | None, mated_on: dt.date | None, *, field: str) -> None:
    if source_year is not None and mated_on is not None and source_year > mated_on.year:
        raise Refusal(
            _("%(source)s is of %(year)s: her drones cannot have flown in %(mated)s.")
            % {"source": label, "year": source_year, "mated": mated_on.year},
            field=field,
            rule="source_older",
        )


def check_shares(shares: Sequence[SourceShare], *, total_tenths: int | None, field: str = "shares") -> int | None:
    """Each source once, volumes for all or for none, the sum equal to the whole. Returns the whole if known."""
    seen: set[int] = set()
    for share in shares:
        if share.drone_queen_id in seen:
            raise Refusal(
                _("%(source)s stands twice. Add her parts up in one line.") % {"source": share.label},
                field=field,
                rule="source_twice",
            )
        seen.add(share.drone_queen_id)
        if share.volume_tenths is not None and share.volume_tenths < 1:
            raise Refusal(_("Each volume must be above 0 µl."), field=field, rule="volume_positive")
        if share.drones is not None and share.drones < 1:
            raise Refusal(_("Each number of drones must be 1 or more."), field=field, rule="drones_positive")
    volumes = [share.volume_tenths for share in shares if share.volume_tenths is not None]
    if not volumes:
        return total_tenths
    if len(volumes) != len(shares):
        raise Refusal(
            _("Enter the volume of every source, or of none (then all parts count the same)."),
            field=field,
            rule="volume_all_or_none",
        )
    if total_tenths is not None and sum(volumes) != total_tenths:
        raise Refusal(
            _("The sources sum up to %(sum)s µl, the whole is %(total)s µl. Correct one of them.")
            % {"sum": Decimal(sum(volumes)) / 10, "total": Decimal(total_tenths) / 10},
            field=field,
            rule="shares_sum_up",
        )
    return sum(volumes)


def check_mating_shape(
    kind: str,
    shares: Sequence[SourceShare],
    *,
    total_tenths: int | None,
    drones: int | None,
    has_batch: bool,
    has_station_mother: bool,
    station_queens: int | None,
    place: str,
) -> tuple[list[SourceShare], int | None]:
    """What belongs to each kind of mating; returns the shares and the whole volume as they are to be written."""
    if kind not in MatingKind.values:
        raise Refusal(_("Choose how she was mated."), field="kind", rule="mating_kind")
    if kind in WITH_SOURCES:
        return _shape_with_sources(kind, shares, total_tenths)
    if shares:
        raise Refusal(
            _("With this kind of mating no single sources are entered. Choose another kind or empty the sources."),
            field="shares",
            rule="no_sources_here",
        )
    if kind == MatingKind.BATCH and not has_batch:
        raise Refusal(_("Choose the semen batch."), field="shared_batch", rule="batch_missing")
    if kind == MatingKind.STATION and not (has_station_mother or place.strip()):
        raise Refusal(
            _("Name the mother of the station's drone-producing queens, or at least the station."),
            field="station_mother",
            rule="station_missing",
        )
    for number, field in ((drones, "drones"), (station_queens, "station_queens")):
        if number is not None and number < 1:
            raise Refusal(_("Enter 1 or more, or leave it empty."), field=field, rule="drones_positive")
    if total_tenths is not None and not 0 < total_tenths <= MOST_TENTHS:
        raise Refusal(
            _("The volume must be above 0 and at most %(most)s µl.") % {"most": MOST_TENTHS // 10},
            field="total_tenths",
            rule="volume_range",
        )
    return [], total_tenths


def _shape_with_sources(
    kind: str, shares: Sequence[SourceShare], total_tenths: int | None
) -> tuple[list[SourceShare], int | None]:
    if not shares:
        raise Refusal(_("Name the drone-producing queen."), field="shares", rule="source_missing")
    if kind != MatingKind.POOL and len(shares) > 1:
        raise Refusal(
            _("This kind has one drone-producing queen. With several, choose “mixed for her alone”."),
            field="shares",
            rule="one_source",
        )
    if kind == MatingKind.POOL and len(shares) < 2:
        raise Refusal(
            _("A mixture has two sources or more. With one, choose “drones of one drone-producing queen”."),
            field="shares",
            rule="several_sources",
        )
    if kind == MatingKind.SINGLE_DRONE:
        if shares[0].drones not in (None, 1):
            raise Refusal(_("One single drone is one drone."), field="shares", rule="single_drone")
        only = shares[0]
        shares = [SourceShare(only.drone_queen_id, only.label, only.volume_tenths, 1)]
    if len(shares) == 1 and shares[0].volume_tenths is None and total_tenths is not None:
        only = shares[0]
        shares = [SourceShare(only.drone_queen_id, only.label, total_tenths, only.drones)]
    whole = check_shares(shares, total_tenths=total_tenths)
    if whole is not None and not 0 < whole <= MOST_TENTHS:
        raise Refusal(
            _("The volume must be above 0 and at most %(most)s µl.") % {"most": MOST_TENTHS // 10},
            field="shares",
            rule="volume_range",
        )
    return list(shares), whole


def find_loop(start: int, parents_of: Callable[[int], Iterable[int]], forbidden: int) -> bool:
    """Does `forbidden` stand among `start` and those she descends from?"""
    open_, seen = [start], {start}
    while open_:
        current = open_.pop()
        if current == forbidden:
            return True
        for parent in parents_of(current):
            if parent not in seen:
                seen.add(parent)
                open_.append(parent)
    return False
