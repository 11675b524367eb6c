"""Everything that a person may open, by what is written on it: the stock, people, and what belongs to a season."""

import datetime as dt
import re

from django.db.models import Q
from django.utils.dateparse import parse_date
from django.utils.dates import MONTHS, MONTHS_3

from accounts.access import Viewer, can_work_bench
from accounts.queries.search import MOST, Hit, Hits, best_first, found_members, found_people, hits_of, is_exact
from breeding.queries.search import found_colonies, found_queens
from scheduling.models import BenchSession, DroneSource, QueenBatch, SemenLot
from scheduling.queries.batches import batches_seen_by
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources import sources_seen_by
from scheduling.queries.words import day_words

DAY_FIRST = re.compile(r"^(?:\w+\.?,?\s+)?(\d{1,2})(?:\.\s*|/|\s+)(\w+)\.?(?:\s+(\d{4}))?$")


def search(viewer: Viewer, words: str, *, today: dt.date) -> list[Hits]:
    """What was found, by kind, in the order in which it is shown; kinds without anything are left out."""
    if not words:
        return []
    kinds = [
        found_queens(viewer, words),
        found_colonies(viewer, words),
        _batches(viewer, words),
        _sources(viewer, words),
        _sessions(viewer, words, today),
        found_members(viewer, words),
        found_people(viewer, words),
        _lots(viewer, words),
    ]
    return [kind for kind in kinds if kind.hits]


def day_of(words: str, today: dt.date) -> dt.date | None:
    """The day that somebody wrote: “2026-06-25”, “25 June”, “Thu 25 Jun”, “25.6.”; this year's, if none is named."""
    try:
        found = parse_date(words)
    except ValueError:
        return None
    match = DAY_FIRST.match(words.strip().rstrip("."))
    if found or match is None:
        return found
    day, month, year = match.groups()
    number = int(month) if month.isdigit() else _month(month)
    try:
        return dt.date(int(year or today.year), number, int(day))
    except ValueError:
        return None


def _month(word: str) -> int:
    for names in (MONTHS, MONTHS_3):
        for number, name in names.items():
            if str(name).casefold() == word.casefold():
                return int(number)
    return 0


def _batches(viewer: Viewer, words: str) -> Hits:
    """By name, or by the label of their mother."""
    batches = batches_seen_by(viewer).select_related("mother", "member", "season")
    found = best_first(batches, words, "name", Q(mother__label__iexact=words))
    return hits_of("batch", [_batch_hit(batch, words) for batch in found])


def _batch_hit(batch: QueenBatch, words: str) -> Hit:
    about = f"{batch.mother.label} · {batch.member.name} · {batch.season.year}"
    return Hit(batch.pk, batch.name, about, is_exact(batch.name, words))


def _sources(viewer: Viewer, words: str) -> Hits:
    """By name, by the letter of their disc, or by the drone-producing queen."""
    sources = sources_seen_by(viewer).select_related("drone_queen", "member", "season")
    also = Q(letter__iexact=words) | Q(drone_queen__label__iexact=words)
    return hits_of("source", [_source_hit(one, words) for one in best_first(sources, words, "name", also)])


def _source_hit(source: DroneSource, words: str) -> Hit:
    about = f"{source.letter} · {source.drone_queen.label} · {source.member.name} · {source.season.year}"
    return Hit(source.pk, source.name, about, is_exact(source.name, words) or is_exact(source.letter, words))


def _sessions(viewer: Viewer, words: str, today: dt.date) -> Hits:
    """By their day, or by the bench."""
    day = day_of(words, today)
    wanted = Q(bench__name__icontains=words) if day is None else Q(day=day)
    found = sessions_seen_by(viewer).filter(wanted).select_related("bench").order_by("-day", "pk")
    return hits_of("session", [_session_hit(one, day) for one in found[: MOST + 1]])


def _session_hit(session: BenchSession, day: dt.date | None) -> Hit:
    name = f"{day_words(session.day)} {session.day.year}"
    return Hit(session.pk, name, session.bench.name, exact=session.day == day)


def _lots(viewer: Viewer, words: str) -> Hits:
    """Where semen went is for those who work at the bench."""
    lots = SemenLot.objects.filter(session__season__cooperative=viewer.cooperative)
    if not can_work_bench(viewer):
        lots = lots.none()
    found = best_first(lots.select_related("session__bench", "source"), words, "label")
    return hits_of("lot", [_lot_hit(lot, words) for lot in found])


def _lot_hit(lot: SemenLot, words: str) -> Hit:
    parts = [lot.source.name if lot.source else "", f"{day_words(lot.session.day)} {lot.session.day.year}"]
    return Hit(lot.pk, lot.label, " · ".join(filter(None, parts)), is_exact(lot.label, words))
