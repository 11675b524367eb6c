"""What a tablet takes along to the bench: the order, sources, lots, rules in words, and the state so far.

JSON as it stands. Figures and words that need the database are worked out here, so that the tablet reckons with nothing
but tallies and volumes; whatever it then sends is held against the same rules again.
"""

import datetime as dt
from typing import Any
from uuid import UUID

from accounts.models import Person
from scheduling.models import BatchQueen, BenchPlace, BenchSession, DroneSource
from scheduling.planning.facts import Settings
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.bench import BenchPage, BenchRow, bench_page
from scheduling.queries.bench_log import bench_state, confirmed_up_to, entries_to_look_at, entry_words, ms_of
from scheduling.queries.bench_rules import (
    first_co2_counts_from,
    first_co2_words,
    is_first_co2_asked,
    planned_sources,
    queen_age_rule,
    sources_accepted,
)
from scheduling.queries.lots import LotView, sources_of_lot
from scheduling.queries.place_again import LIVE
from scheduling.queries.season import settings_of
from scheduling.queries.what_now import facts_for_tablet
from scheduling.services.bench_guard import local_day, refuse_old_lot, refuse_source, words_if_refused

PROTOCOL = 1
MS_PER_HOUR = 3_600_000


def tablet_data(session: BenchSession, *, device: UUID | None, person: Person, now: dt.datetime) -> dict[str, Any]:
    """The session for the tablet. `up_to`: the last number of this device that the state holds already."""
    page = bench_page(session)
    settings = settings_of(session.season)
    state: dict[str, Any] = {**bench_state(session, lots=page.lots)}
    for row in page.rows:
        if row.batch_queen is not None:
            queen = state["queens"][str(row.batch_queen.pk)]
            queen["given"] = row.dosed_tenths
    of_lots = {str(view.lot.entry): sources_of_lot(view.lot) for view in page.lots}
    for entry, sources in of_lots.items():
        state["lots"][entry]["sources"] = [source.pk for source in sources]
    return {
        "protocol": PROTOCOL,
        "server_at": now.isoformat(),
        "person": person.pk,
        "person_name": person.name,
        "session_state": session.state,
        "day": f"{session.day:%d%m}",
        "up_to": confirmed_up_to(session, device) if device else 0,
        "state": state,
        "places": [_place(row, settings) for row in page.rows],
        "queens": _queens(page, session, settings),
        "sources": {
            str(source.pk): {
                "name": source.name,
                "letter": source.letter,
                "held": _held(source, session),
            }
            for source in DroneSource.objects.filter(season=session.season_id, withdrawn_at__isnull=True)
        },
        "lots": {str(view.lot.entry): _lot(view, session, now, of_lots[str(view.lot.entry)]) for view in page.lots},
        "what_now": facts_for_tablet(session, page),
        "dose_limit": tenths_from_ul(settings.dose_limit_ul),
        "first_co2": {
            "from": ms_of(first_co2_counts_from(session, settings)),
            "pair_ms": round(settings.co2_pair_min_hours * MS_PER_HOUR),
            "words": first_co2_words(settings),
        },
        "looks": [
            {"id": str(entry.pk), "what": entry_words(entry), "why": entry.words}
            for entry in entries_to_look_at(session)
        ],
    }


def _held(source: DroneSource, session: BenchSession) -> str:
    return words_if_refused(lambda: refuse_source(source, day=session.day))


def _place(row: BenchRow, settings: Settings) -> dict[str, Any]:
    place = row.place
    home = place.booking.batch.first_co2_at
    return {
        "id": place.pk,
        "position": place.position,
        "dose": place.dose_tenths,
        "source": place.source_id,
        "planned": [source.pk for source in planned_sources(place)],
        "accepted": [source.pk for source in sources_accepted(place.booking, settings)],
        "batch": place.booking.batch_id,
        "booking": place.booking_id,
        "first_co2": {"asked": is_first_co2_asked(place), "home": ms_of(home) if home else None},
    }


def _queens(page: BenchPage, session: BenchSession, settings: Settings) -> dict[str, dict[str, Any]]:
    """Every queen of the batches at the bench. `age`: what is wrong with hers, in words; `taken`: she has a place on
    another bench day.
    """
    batches = {row.place.booking.batch_id for row in page.rows}
    elsewhere = BenchPlace.objects.filter(booking__batch__in=batches, state__in=LIVE).exclude(session=session)
    taken = set(elsewhere.values_list("batch_queen_id", flat=True))
    return {
        str(queen.pk): {
            "label": str(queen),
            "batch": queen.batch_id,
            "queen": queen.queen_id,
            "age": (queen_age_rule(queen, session, settings) or ("", ""))[1],
            "taken": queen.pk in taken,
        }
        for queen in BatchQueen.objects.filter(batch__in=batches).select_related("queen").order_by("batch", "number")
    }


def _lot(view: LotView, session: BenchSession, now: dt.datetime, sources: list[DroneSource]) -> dict[str, Any]:
    settings = settings_of(session.season)
    day = local_day(now, session)
    return {
        "id": view.lot.pk,
        "label": view.lot.label,
        "here": view.lot.session_id == session.pk,
        "pool": view.lot.semen_batch is None and view.lot.source_id is None,
        "held": next((words for source in sources if (words := _held(source, session))), ""),
        "too_old": words_if_refused(lambda: refuse_old_lot(view.lot, day=day, settings=settings)),
    }
