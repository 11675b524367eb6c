"""Semen in lots: what a lot holds, and which drones' semen a queen really got. Whole tenths of a microlitre."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

K = TypeVar("K")


@dataclass(frozen=True, slots=True)
class Balance:
    """Everything that went into a lot and out of it, in tenths of a microlitre.

    Parameters
    ----------
    collected, mixed_in : int
        Into the lot: from drones, from other lots.
    dosed, mixed_out, stored, discarded, lost : int
        Out of it; what is stored is the lot's rest, measured.
    from_store : int
        Of what went out, the part taken from what was stored, after the lot's own session.
    """

    collected: int = 0
    mixed_in: int = 0
    dosed: int = 0
    mixed_out: int = 0
    stored: int = 0
    discarded: int = 0
    lost: int = 0
    from_store: int = 0

    @property
    def into(self) -> int:
        return self.collected + self.mixed_in

    @property
    def used(self) -> int:
        return self.dosed + self.mixed_out + self.discarded + self.lost

    @property
    def left(self) -> int:
        """What should still be there by the record; below 0 when more was given than was read."""
        return self.into - self.used

    @property
    def in_store(self) -> int:
        """What is stored now."""
        return max(0, self.stored - self.from_store)

    @property
    def unexplained(self) -> int:
        """What is neither dosed, stored, discarded nor lost by the record; 0 when the lot adds up."""
        return self.left - self.in_store


@dataclass(frozen=True, slots=True)
class SourceSemen:
    """One source's part of a lot or of a queen's semen: tenths of a microlitre, and drones that gave it."""

    volume: int
    drones: int | None


def split_whole(total: int, weights: Sequence[int]) -> list[int]:
    """Split a whole number by weights, largest remainders first, so that the parts sum up exactly.

    Parameters
    ----------
    total : int
        Not negative.
    weights : sequence of int
        Not negative, at least one above 0.

    Returns
    -------
    list of int
        In the order of `weights`; ties go to the earlier one.

    Raises
    ------
    ValueError
        When `total` is negative or no weight is above 0.
    """
    whole = sum(weights)
    if total < 0 or whole <= 0 or min(weights) < 0:
        raise ValueError("split_whole needs a total from 0 and weights from 0, one of them above 0")
    parts = [total * weight // whole for weight in weights]
    by_remainder = sorted(range(len(weights)), key=lambda i: (-(total * weights[i] % whole), i))
    for i in by_remainder[: total - sum(parts)]:
        parts[i] += 1
    return parts


def semen_of_dose(volume: int, lot: Mapping[K, SourceSemen]) -> dict[K, SourceSemen]:
    """Return which source's semen a dose from a mixed lot holds.

    The mixture is even, so each source's part of the dose is its part of the lot. Drones: of n drones that gave the
    whole part, the dose holds semen of about n times the dose's share, at least 1; in a homogenised mixture that is
    the number of drones' worth of semen, not of different drones.

    Parameters
    ----------
    volume : int
        Of the dose. [0.1 µl]
    lot : mapping
        Each source's part of the lot, volumes above 0.

    Returns
    -------
    dict
        Sources with a part above 0; volumes sum up to `volume`.
    """
    sources = list(lot)
    parts = split_whole(volume, [lot[source].volume for source in sources])
    result = {}
    for source, part in zip(sources, parts, strict=True):
        if part:
            drones = lot[source].drones
            share = None if drones is None else max(1, round(drones * part / lot[source].volume))
            result[source] = SourceSemen(part, share)
    return result


def add_up(doses: Sequence[Mapping[K, SourceSemen]]) -> dict[K, SourceSemen]:
    """Sum the semen of several doses by source; drones are not known where one dose does not know them."""
    result: dict[K, SourceSemen] = {}
    for dose in doses:
        for source, semen in dose.items():
            before = result.get(source, SourceSemen(0, 0))
            known = before.drones is not None and semen.drones is not None
            drones = (before.drones or 0) + (semen.drones or 0) if known else None
            result[source] = SourceSemen(before.volume + semen.volume, drones)
    return result
