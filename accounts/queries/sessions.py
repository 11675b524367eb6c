"""Where somebody is signed in."""

import datetime as dt

from django.contrib.sessions.models import Session
from django.db.models import QuerySet

from accounts.models import OpenSession, Person


def open_sessions_of(person: Person, *, now: dt.datetime) -> QuerySet[OpenSession]:
    live = Session.objects.filter(expire_date__gt=now).values("session_key")
    return OpenSession.objects.filter(person=person, session_key__in=live)
