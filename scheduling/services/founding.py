"""The first run as a whole: the cooperative with its people, its traits, and its first season."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction

from accounts.models import Person
from accounts.services.founding import Founded, NewPerson, cooperative_found
from breeding.services.traits import traits_make
from scheduling.services.season import season_open

STARTS, ENDS = (4, 1), (8, 31)  # April to August, as the season rule shows; the coordinator may change it


def cooperative_found_with_season(
    name: str,
    *,
    time_zone: str,
    language: str = settings.LANGUAGE_CODE,
    founder: Person | NewPerson,
    member_name: str,
    apiary_name: str,
    apiary_place: str = "",
    now: dt.datetime,
) -> Founded:
    """All or nothing. After the end of this year's season the next one is opened."""
    with transaction.atomic():
        founded = cooperative_found(
            name,
            time_zone=time_zone,
            language=language,
            founder=founder,
            member_name=member_name,
            apiary_name=apiary_name,
            apiary_place=apiary_place,
            now=now,
        )
        traits_make(founded.cooperative, by=founded.person, now=now)
        year = first_season_year(now.astimezone(ZoneInfo(time_zone)).date())
        season_open(
            founded.cooperative,
            year=year,
            starts_on=dt.date(year, *STARTS),
            ends_on=dt.date(year, *ENDS),
            by=founded.person,
            now=now,
        )
    return founded


def first_season_year(today: dt.date) -> int:
    return today.year if today <= dt.date(today.year, *ENDS) else today.year + 1
