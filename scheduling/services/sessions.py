"""Bench sessions: opened, changed and called off by the coordinator."""

import datetime as dt
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from scheduling.models import Bench, BenchPlace, BenchSession, PlaceState, Season, SessionState
from scheduling.planning.timing import local_to_utc
from scheduling.queries.words import day_words

FIELDS = ["starts_at", "ends_at", "operator", "places", "operator_minutes", "collect_drones", "co2_capacity", "note"]


def bench_add(cooperative: Cooperative, *, name: str, place: str = "", by: Person | None, now: dt.datetime) -> Bench:
    name = " ".join(name.split())
    if Bench.objects.filter(cooperative=cooperative, name__iexact=name).exists():
        raise Refusal(_("There is already a bench called %(name)s.") % {"name": name}, field="name", rule="bench_name")
    with transaction.atomic():
        bench = Bench.objects.create(cooperative=cooperative, name=name, place=place)
        audit_record(bench, action="bench.add", by=by, now=now, cooperative=cooperative, after={"name": name})
    return bench


def session_open(
    season: Season,
    *,
    bench: Bench,
    day: dt.date,
    starts: dt.time,
    ends: dt.time,
    places: int,
    operator_minutes: int,
    collect_drones: int,
    co2_capacity: int,
    operator: Person | None = None,
    note: str = "",
    by: Person | None,
    now: dt.datetime,
) -> BenchSession:
    """Open one bench day. Times are the cooperative's wall clock."""
    if bench.cooperative_id != season.cooperative_id:
        raise ValueError("bench belongs to another cooperative")
    if not season.starts_on <= day <= season.ends_on:
        raise Refusal(
            _("%(day)s is outside %(season)s. Choose a day between %(first)s and %(last)s.")
            % {
                "day": day_words(day),
                "season": season,
                "first": day_words(season.starts_on),
                "last": day_words(season.ends_on),
            },
            field="day",
            rule="session_in_season",
        )
    starts_at, ends_at = _moments(season, day, starts, ends)
    taken = _("%(bench)s already has a session on %(day)s.") % {"bench": bench, "day": day_words(day)}
    if BenchSession.objects.filter(bench=bench, day=day).exclude(state=SessionState.CANCELLED).exists():
        raise Refusal(taken, field="day", rule="session_once_a_day")
    try:
        with transaction.atomic():
            session = BenchSession.objects.create(
                season=season,
                bench=bench,
                day=day,
                starts_at=starts_at,
                ends_at=ends_at,
                operator=operator,
                places=places,
                operator_minutes=operator_minutes,
                collect_drones=collect_drones,
                co2_capacity=co2_capacity,
                note=note,
            )
            audit_record(
                session,
                action="session.open",
                by=by,
                now=now,
                cooperative=season.cooperative,
                after={"day": day, **fields_of(session, FIELDS)},
            )
    except IntegrityError as error:
        raise Refusal(taken, field="day", rule="session_once_a_day") from error
    return session


def session_change(
    session: BenchSession, *, starts: dt.time, ends: dt.time, by: Person | None, now: dt.datetime, **changes: Any
) -> BenchSession:
    """Change times and capacity. Fewer places than are given are refused: the plan has to move them first."""
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative")
            .get(pk=session.pk)
        )
        if session.state != SessionState.OPEN:
            raise Refusal(_("This session has begun or ended; it is not changed any more."), rule="session_not_open")
        given = _places_given(session)
        if changes.get("places", session.places) < given:
            raise Refusal(
                ngettext(
                    "%(given)d place is given already. Move it in the plan first.",
                    "%(given)d places are given already. Move them in the plan first.",
                    given,
                )
                % {"given": given},
                field="places",
                rule="session_places_given",
            )
        before = fields_of(session, FIELDS)
        session.starts_at, session.ends_at = _moments(session.season, session.day, starts, ends)
        for name, value in changes.items():
            setattr(session, name, value)
        session.save(update_fields=FIELDS)
        audit_record(
            session,
            action="session.change",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            before=before,
            after=fields_of(session, FIELDS),
        )
    return session


def session_cancel(session: BenchSession, *, reason: str, by: Person | None, now: dt.datetime) -> BenchSession:
    """Call a session off. With places given it is refused: publish a plan without it first, so that all are told."""
    if not reason.strip():
        raise Refusal(_("Say why it is called off."), field="reason", rule="session_cancel_reason")
    with transaction.atomic():
        session = (
            BenchSession.objects.select_for_update(of=("self",))
            .select_related("season__cooperative")
            .get(pk=session.pk)
        )
        if session.state == SessionState.CANCELLED:
            return session
        if session.state != SessionState.OPEN:
            raise Refusal(_("This session has begun or ended; it cannot be called off."), rule="session_not_open")
        if _places_given(session):
            raise Refusal(
                _(
                    "Members have places here. Set its places to none by moving them on the plan board and publish; "
                    "then everybody is told, and it can be called off."
                ),
                rule="session_places_given",
            )
        session.state, session.note = SessionState.CANCELLED, reason.strip()
        session.save(update_fields=["state", "note"])
        audit_record(
            session,
            action="session.cancel",
            by=by,
            now=now,
            cooperative=session.season.cooperative,
            note=reason.strip(),
        )
    return session


def _places_given(session: BenchSession) -> int:
    return BenchPlace.objects.filter(session=session, state__in=[PlaceState.HELD, PlaceState.OFFERED]).count()


def _moments(season: Season, day: dt.date, starts: dt.time, ends: dt.time) -> tuple[dt.datetime, dt.datetime]:
    zone = season.cooperative.time_zone
    starts_at, ends_at = local_to_utc(day, starts, zone), local_to_utc(day, ends, zone)
    if ends_at <= starts_at:
        raise Refusal(_("The session must end after it starts."), field="ends", rule="session_times")
    return starts_at, ends_at
