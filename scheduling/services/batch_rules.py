"""What cannot be so of a batch: strange owners, days that cannot be, counts that contradict each other."""

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.models import Apiary, Member
from accounts.refusals import Refusal
from breeding.models import Queen, QueenStatus
from scheduling.models import QueenBatch, Season
from scheduling.planning.timing import EventError, batch_calendar
from scheduling.queries.batches import zone_of_batch
from scheduling.queries.events import events_of_batch, recorded_of_batch
from scheduling.queries.season import settings_of
from scheduling.queries.words import day_words, words_of
from scheduling.services.record_order import refuse_disorder

DAYS_BEFORE_SEASON = 90  # an older date is a slip of the pen, not this season's batch


@dataclass(frozen=True)
class Observed:
    """One step that is observed: its date and what is noted with it."""

    date: str
    said: Any
    with_it: tuple[str, ...] = field(default=())


OBSERVED = {
    "confined": Observed("confined_on", gettext_lazy("confining the breeder queen")),
    "grafted": Observed("grafted_on", gettext_lazy("the graft"), ("grafted_hour", "cells_grafted")),
    "started": Observed("counted_on", gettext_lazy("counting the started cells"), ("cells_started",)),
    "sealed": Observed("sealed_on", gettext_lazy("sealing of the cells"), ("cell_temperature_c",)),
    "caged": Observed("caged_on", gettext_lazy("caging the ripe cells"), ("cell_temperature_c",)),
    "emerged": Observed("emerged_on", gettext_lazy("emergence"), ("emerged_hour", "virgins_emerged")),
    "excluder": Observed("excluder_on", gettext_lazy("fitting the excluders")),
    "eggs": Observed("eggs_seen_on", gettext_lazy("the first eggs")),
}
COUNTS = (
    ("cells_started", "cells_grafted"),
    ("virgins_emerged", "cells_started"),
    ("virgins_emerged", "cells_grafted"),
)
COUNT_WORDS = {
    "cells_grafted": gettext_lazy("cells grafted"),
    "cells_started": gettext_lazy("cells started"),
    "virgins_emerged": gettext_lazy("virgins emerged"),
}


def refuse_strange(season: Season, *, member: Member, mother: Queen | None, apiary: Apiary | None) -> None:
    cooperative_id = season.cooperative_id
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    if member.cooperative_id != cooperative_id or (mother and mother.cooperative_id != cooperative_id):
        raise ValueError("season, member and mother: of one cooperative.")
    if apiary is not None and apiary.member_id != member.pk:
        raise Refusal(_("That apiary belongs to another member."), field="apiary")
    if mother is not None and mother.status == QueenStatus.VIRGIN:
        raise Refusal(
            _("%(mother)s is a virgin on record. Record her mating first, or choose another mother.")
            % {"mother": mother},
            field="mother",
            rule="mother_not_mated",
        )


def refuse_impossible(batch: QueenBatch, *, changed: Collection[str] | None = None, now: dt.datetime) -> None:
    """`changed`: the fields being written; dates that did not go together before do not stop other entries."""
    today = now.astimezone(zone_of_batch(batch)).date()
    earliest = batch.season.starts_on - dt.timedelta(days=DAYS_BEFORE_SEASON)
    for observed in OBSERVED.values():
        day = getattr(batch, observed.date)
        if day is None:
            continue
        if day > today:
            raise Refusal(
                _("%(day)s is still to come. Enter what was seen, on the day it was seen.") % {"day": day_words(day)},
                field=observed.date,
                rule="observed_not_future",
            )
        if day < earliest or day > batch.season.ends_on:
            raise Refusal(
                _("%(day)s lies outside %(season)s. Check the date.")
                % {"day": day.strftime("%-d %B %Y"), "season": batch.season},
                field=observed.date,
                rule="inside_season",
            )
    refuse_disorder(recorded_of_batch(batch), changed=changed)
    _refuse_counts(batch)
    if batch.grafted_on is None and any(
        getattr(batch, name) is not None
        for name in ("counted_on", "sealed_on", "caged_on", "emerged_on", "excluder_on", "eggs_seen_on")
    ):
        raise Refusal(_("Record the graft first."), field="grafted_on", rule="graft_first")


def refuse_without_calendar(batch: QueenBatch) -> None:
    """What the calendar cannot be worked out from is not written, for example a temperature no cell survives."""
    try:
        batch_calendar(events_of_batch(batch), settings_of(batch.season))
    except EventError as error:
        raise Refusal(words_of(error.text), field=error.field, rule="calendar") from error


def _refuse_counts(batch: QueenBatch) -> None:
    for part, whole in COUNTS:
        few, many = getattr(batch, part), getattr(batch, whole)
        if few is not None and many is not None and few > many:
            raise Refusal(
                _("%(few)d %(part)s are more than the %(many)d %(whole)s. Correct one of the two.")
                % {"few": few, "part": COUNT_WORDS[part], "many": many, "whole": COUNT_WORDS[whole]},
                field=part,
                rule="counts_in_order",
            )
