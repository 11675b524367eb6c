"""Where somebody is signed in: noted, shown, ended."""

import datetime as dt
import re

from django.contrib.sessions.models import Session
from django.db import transaction

from accounts.models import OpenSession, Person
from accounts.services.audit import audit_record

BATCH = 500
BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("Chrom", "Chrome"), ("Safari/", "Safari"))
SYSTEMS = (
    *(("Android", "Android"), ("iPhone", "iOS"), ("iPad", "iOS"), ("Windows", "Windows")),
    *(("Mac OS X", "macOS"), ("Linux", "Linux")),
)


def session_note(person: Person, *, key: str, agent: str, now: dt.datetime) -> None:
    """Somebody has just signed in here. Rows of sessions that are over go."""
    with transaction.atomic():
        live = Session.objects.filter(expire_date__gt=now).values("session_key")
        OpenSession.objects.filter(person=person).exclude(session_key__in=live).delete()
        OpenSession.objects.update_or_create(
            session_key=key,
            defaults={"person": person, "device": device_words(agent), "begun_at": now, "seen_at": now},
        )


def session_seen(key: str, *, now: dt.datetime) -> None:
    OpenSession.objects.filter(session_key=key).update(seen_at=now)


def session_end(session: OpenSession, *, by: Person, now: dt.datetime) -> None:
    """Nobody is signed in there any more, from this moment. Ending twice is once."""
    with transaction.atomic():
        Session.objects.filter(session_key=session.session_key).delete()
        if OpenSession.objects.filter(pk=session.pk).delete()[0]:
            audit_record(
                session.person, action="session.end", by=by, now=now, cooperative=None, before={"on": session.device}
            )


def sessions_end(person: Person, *, but: str | None, by: Person, now: dt.datetime) -> int:
    """All of somebody's sessions, also those that were begun before they were noted; `but` this one. How many."""
    with transaction.atomic():
        ended = sessions_delete(person, but=but)
        if ended:
            audit_record(person, action="session.end_others", by=by, now=now, cooperative=None, after={"n": ended})
    return ended


def sessions_delete(person: Person, *, but: str | None = None) -> int:
    own = [
        session.pk
        for session in Session.objects.exclude(pk=but or "").iterator(chunk_size=BATCH)
        if session.get_decoded().get("_auth_user_id") == str(person.pk)
    ]
    OpenSession.objects.filter(person=person).exclude(session_key=but or "").delete()
    return Session.objects.filter(pk__in=own).delete()[0]


def device_words(agent: str) -> str:
    """Browser and system, nothing finer; what the browser says of itself may be anything."""
    found = [next((name for sign, name in signs if sign in agent), "") for signs in (BROWSERS, SYSTEMS)]
    words = ", ".join(word for word in found if word)
    return words or re.sub(r"[^\w .,/-]", "", agent)[:60].strip() or "?"
