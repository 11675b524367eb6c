"""What a tablet takes along to the bench: the order, sources, lots, rules in words, and the state so far.

JSON as it stands. Figures and words that need the database are worked out here, so that the tablet reckons with nothing
but tallies and volumes; whatever it then sends is held against the same rules again.
"""

import datetime as dt
from typing import Any
from uuid import UUID

from accounts.models import Person
from scheduling.models import BatchQueen, BenchSession, DroneSource
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.bench import BenchPage, BenchRow, LotView, bench_page
from scheduling.queries.bench_log import bench_state, confirmed_up_to, entries_to_look_at, entry_words
from scheduling.queries.bench_rules import rules_to_set_aside
from scheduling.queries.season import settings_of
from scheduling.queries.what_now import facts_for_tablet
from scheduling.services.bench_guard import local_day, refuse_old_lot, refuse_source, words_if_refused

PROTOCOL = 1


def tablet_data(session: BenchSession, *, device: UUID | None, person: Person, now: dt.datetime) -> dict[str, Any]:
    """The session for the tablet. `up_to`: the last number of this device that the state holds already."""
    page = bench_page(session)
    settings = settings_of(session.season)
    state: dict[str, Any] = {**bench_state(session, lots=page.lots)}
    for row in page.rows:
        if row.batch_queen is not None:
            queen = state["queens"][str(row.batch_queen.pk)]
            queen["given"] = row.dosed_tenths
            queen["gas_since"] = row.running_gas.started_at.isoformat() if row.running_gas else None
    return {
        "protocol": PROTOCOL,
        "server_at": now.isoformat(),
        "person": person.pk,
        "person_name": person.name,
        "session_state": session.state,
        "day": f"{session.day:%d%m}",
        "up_to": confirmed_up_to(session, device) if device else 0,
        "state": state,
        "places": [_place(row, session) for row in page.rows],
        "queens": _queen_labels(page),
        "sources": {
            str(source.pk): {
                "name": source.name,
                "letter": source.letter,
                "held": words_if_refused(lambda source=source: refuse_source(source, day=session.day)),  # type: ignore[misc]
            }
            for source in DroneSource.objects.filter(season=session.season_id, withdrawn_at__isnull=True)
        },
        "lots": {str(view.lot.entry): _lot(view, session, now) for view in page.lots},
        "what_now": facts_for_tablet(session, page),
        "dose_limit": tenths_from_ul(settings.dose_limit_ul),
        "looks": [
            {"id": str(entry.pk), "what": entry_words(entry), "why": entry.words}
            for entry in entries_to_look_at(session)
        ],
    }


def _place(row: BenchRow, session: BenchSession) -> dict[str, Any]:
    place = row.place
    settings = settings_of(session.season)
    broken = rules_to_set_aside(row.batch_queen, place, session, 0, settings) if row.batch_queen else []
    return {
        "id": place.pk,
        "position": place.position,
        "dose": place.dose_tenths,
        "source": place.source_id,
        "batch": place.booking.batch_id,
        "rules": [{"rule": rule, "words": words} for rule, words in broken],
    }


def _queen_labels(page: BenchPage) -> dict[str, dict[str, Any]]:
    batches = {row.place.booking.batch_id for row in page.rows}
    return {
        str(queen.pk): {"label": str(queen), "batch": queen.batch_id, "queen": queen.queen_id}
        for queen in BatchQueen.objects.filter(batch__in=batches).select_related("queen").order_by("batch", "number")
    }


def _lot(view: LotView, session: BenchSession, now: dt.datetime) -> dict[str, Any]:
    settings = settings_of(session.season)
    day = local_day(now, session)
    return {
        "id": view.lot.pk,
        "label": view.lot.label,
        "here": view.lot.session_id == session.pk,
        "too_old": words_if_refused(lambda: refuse_old_lot(view.lot, day=day, settings=settings)),
    }
