"""Counts of drones from a table, by the rules of counting at a cohort: checked, written at once, taken back.

A row that says otherwise than what stands is wrong: a count is corrected where it stands, with what it was.
"""

import datetime as dt
import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.utils.translation import gettext_lazy

from accounts.access import can_act_for
from accounts.refusals import Refusal
from accounts.told import Told, one_after_the_other
from accounts.told import told as _
from breeding.services.imports.kinds import DAY, WHOLE, WORD, Asked, Checked, Column, Kind, words_for
from breeding.services.loading.files import Problem, Problems, Row
from breeding.services.loading.plan import key_of
from breeding.services.loading.write import AT_ONCE, Made, in_parts
from scheduling.models import CountKind, DroneCohort, DroneCount, Season
from scheduling.services.cohorts import refuse_count_before_comb, refuse_impossible_number
from scheduling.services.reminders import reminders_refresh_cohort

COUNT = "scheduling.dronecount"
Key = tuple[int, str, dt.date]  # cohort, kind, day
COHORT_FACTS = ("source__season__cooperative", "source__apiary", "source__member")


@dataclass(frozen=True)
class _Known:
    """What rows are looked up in. sources: cohorts by number, by season and plain name of the source."""

    seasons: list[Season]
    sources: dict[tuple[int, str], dict[int, DroneCohort]]
    counts: dict[Key, int]


def counts_check(asked: Asked, rows: list[Row], found: list[Problem]) -> Checked:
    """Queries only; `write` refuses where something else would come of it by then."""
    problems, known = Problems(list(found)), _known(asked)
    new: dict[Key, tuple[int, Row]] = {}
    unchanged = 0
    for row in rows:
        try:
            key, number = _count_of(row, known, asked)
        except Refusal as refusal:
            problems.refused(row, refusal)
            continue
        stands, earlier = known.counts.get(key), new.get(key)
        if stands is not None and stands != number:
            said = _("%(number)d of that day are on record. Correct it at the comb itself.") % {"number": stands}
            problems.add(row, said, "number")
        elif earlier is not None and earlier[0] != number:
            said = _("The same count stands in line %(line)d with another number.") % {"line": earlier[1].line}
            problems.add(row, said, "number")
        elif stands is not None or earlier is not None:
            unchanged += 1
        else:
            new[key] = (number, row)
    numbers = {key: number for key, (number, _row) in new.items()}
    fingerprint = hashlib.sha256(repr((sorted(numbers.items()), unchanged)).encode()).hexdigest()
    return Checked(
        new={"counts": len(new)},
        unchanged=unchanged,
        problems=sorted(set(problems.found)),
        fingerprint=fingerprint,
        write=lambda: _write(asked, rows, found, numbers, fingerprint),
    )


def counts_take_back(made: Made, asked: Asked, imported_at: dt.datetime) -> None:
    """Inside the caller's transaction. Refused where one of them was corrected since."""
    pks = made.get(COUNT, [])
    counts = [count for part in in_parts(pks) for count in DroneCount.objects.filter(pk__in=part)]
    cohorts = _locked(count.cohort_id for count in counts)
    reasons: list[Told] = [_("Some of what it made is not there any more.")] if len(counts) < len(pks) else []
    corrected = DroneCount.objects.filter(replaced_by__isnull=False).select_related("cohort__source")
    for part in in_parts(pks):
        reasons += [_("%(name)s was changed since.") % {"name": count} for count in corrected.filter(pk__in=part)[:3]]
    if reasons:
        raise Refusal(one_after_the_other([_("It cannot be undone any more."), *reasons[:5]]), rule="import_in_use")
    for part in in_parts(pks):
        DroneCount.objects.filter(pk__in=part).delete()
    for cohort in cohorts:
        reminders_refresh_cohort(cohort, now=asked.now, by=asked.by)


def _known(asked: Asked) -> _Known:
    cohorts = DroneCohort.objects.filter(source__season__cooperative=asked.viewer.cooperative)
    sources: dict[tuple[int, str], dict[int, DroneCohort]] = defaultdict(dict)
    for cohort in cohorts.select_related(*COHORT_FACTS):
        sources[cohort.source.season_id, key_of(cohort.source.name)][cohort.number] = cohort
    standing = DroneCount.objects.filter(
        cohort__source__season__cooperative=asked.viewer.cooperative, replaced_by__isnull=True
    )
    counts = {
        (cohort, kind, day): number
        for cohort, kind, day, number in standing.values_list("cohort_id", "kind", "counted_on", "number")
    }
    return _Known(list(Season.objects.filter(cooperative=asked.viewer.cooperative)), dict(sources), counts)


def _count_of(row: Row, known: _Known, asked: Asked) -> tuple[Key, int]:
    day, number = row.day("counted_on"), row.whole("number")
    assert day is not None, "required"
    assert number is not None, "required"
    cohort = _cohort_of(row, day, known, asked)
    kind = row.text("kind")
    refuse_impossible_number(cohort, kind=kind, counted_on=day, number=number, now=asked.now)
    refuse_count_before_comb(cohort, kind=kind, counted_on=day)
    return (cohort.pk, kind, day), number


def _cohort_of(row: Row, day: dt.date, known: _Known, asked: Asked) -> DroneCohort:
    season = next((s for s in known.seasons if s.starts_on <= day <= s.ends_on), None) or next(
        (s for s in known.seasons if s.year == day.year), None
    )
    if season is None:
        raise Refusal(_("There is no season for %(day)s.") % {"day": day}, field="counted_on")
    name = row.text("source")
    cohorts = known.sources.get((season.pk, key_of(name)))
    if cohorts is None:
        raise Refusal(
            _("No drone source of the season %(year)d with a comb is called “%(name)s”.")
            % {"year": season.year, "name": name[:40]},
            field="source",
        )
    if not can_act_for(asked.viewer, next(iter(cohorts.values())).source.member):
        raise Refusal(_("You may bring in only what belongs to members you act for."), field="source")
    number = row.whole("cohort")
    if number is None and len(cohorts) == 1:
        return next(iter(cohorts.values()))
    numbers = ", ".join(str(one) for one in sorted(cohorts))
    if number is None:
        text = _("%(name)s has several combs. Say which: %(numbers)s.") % {"name": name[:40], "numbers": numbers}
        raise Refusal(text, field="cohort")
    if number not in cohorts:
        raise Refusal(
            _("%(name)s has no comb %(number)d. There are: %(numbers)s.")
            % {"name": name[:40], "number": number, "numbers": numbers},
            field="cohort",
        )
    return cohorts[number]


def _write(asked: Asked, rows: list[Row], found: list[Problem], numbers: dict[Key, int], fingerprint: str) -> Made:
    """Inside the caller's transaction. Cohorts are locked, then looked at again: somebody may have counted just now."""
    cohorts = _locked(cohort for cohort, _kind, _day in numbers)
    if counts_check(asked, rows, found).fingerprint != fingerprint:
        raise Refusal(
            _("The stock has changed since this preview was made, so nothing was imported. Look at the new one."),
            rule="preview_outdated",
        )
    made = DroneCount.objects.bulk_create(
        [
            DroneCount(
                cohort_id=cohort, kind=kind, counted_on=day, number=number, counted_by=asked.by, recorded_at=asked.now
            )
            for (cohort, kind, day), number in numbers.items()
        ],
        batch_size=AT_ONCE,
    )
    for locked in cohorts:
        reminders_refresh_cohort(locked, now=asked.now, by=asked.by)
    return {COUNT: [count.pk for count in made]}


def _locked(pks: Iterable[int]) -> list[DroneCohort]:
    """In the order of their keys, so that two who want the same ones never wait for each other."""
    cohorts = DroneCohort.objects.select_for_update(of=("self",)).select_related(*COHORT_FACTS).order_by("pk")
    return [cohort for part in in_parts(sorted(set(pks))) for cohort in cohorts.filter(pk__in=part)]


KIND_WORDS: dict[str, tuple[str, ...]] = {
    CountKind.PROMISED: ("promise", "zugesagt", "versprochen", "promis", "prometido"),
    CountKind.CAPPED: ("capped", "sealed", "sealed cells", "verdeckelt", "operculées", "operculadas", "opérculo"),
    CountKind.EMERGED: ("emergence", "hatched", "geschlüpft", "schlupf", "nés", "nacidos"),
    CountKind.SEEN: ("seen", "alive", "gesehen", "am volk", "vus", "vistos"),
}


def kind_words() -> dict[str, str]:
    return words_for(KIND_WORDS, {str(kind): kind.label for kind in CountKind})


COUNTS = Kind(
    "counts",
    gettext_lazy("Counts of drones"),
    gettext_lazy("One row for each count of a drone comb: sealed cells, drones emerged, drones seen."),
    "drone",
    (
        Column(
            "source", gettext_lazy("Drone source"),
            ("source", "drone colony", "quelle", "drohnenquelle", "drohnenvolk", "source de mâles", "fuente",
             "fuente de zánganos"),
            required=True, example="Fell 23-B", help=gettext_lazy("Its name this season."),
        ),
        Column(
            "cohort", gettext_lazy("Comb"),
            ("cohort", "comb number", "drone comb", "wabe", "drohnenwabe", "wabennummer", "cadre", "cadre à mâles",
             "panal", "cuadro"),
            WHOLE, example="1", help=gettext_lazy("Its number. May be left out where the source has one comb."),
        ),
        Column(
            "kind", gettext_lazy("What was counted"),
            ("kind", "what", "counted", "was", "art", "gezählt", "quoi", "type", "tipo", "qué"),
            WORD, required=True, example="capped", choices=kind_words,
        ),
        Column(
            "counted_on", gettext_lazy("Counted on"),
            ("date", "day", "datum", "tag", "gezählt am", "compté le", "jour", "fecha", "día", "contado el"),
            DAY, required=True, example="2026-05-12",
            help=gettext_lazy("The season is the one in which this day is."),
        ),
        Column(
            "number", gettext_lazy("How many"),
            ("number", "count", "drones", "cells", "anzahl", "zahl", "nombre", "número", "cantidad"),
            WHOLE, required=True, example="850",
        ),
    ),
    counts_check,
    counts_take_back,
)  # fmt: skip
