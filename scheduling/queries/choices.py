"""What a member can choose from when booking: sources with what to expect of them, bench days with how they fit.

The page shows these and the service refuses by them, so that nothing is offered that would be refused.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from breeding.queries.crosses import CrossPrediction, predict_crosses
from breeding.queries.ranking import latest_run
from scheduling.models import BenchSession, BookingMode, DroneSource
from scheduling.planning.timing import Fit
from scheduling.queries.batches import BatchView
from scheduling.queries.drones import DroneRoom
from scheduling.queries.sessions import sessions_to_come
from scheduling.queries.sources import SourceView
from scheduling.queries.sources_at_hand import sources_at_hand
from scheduling.queries.words import day_words, ordinal_words

MIN_POOL_SOURCES = 2


@dataclass(frozen=True)
class SourceChoice:
    """One source for one batch. `blocked`: the sentence that says why not; `rule` names the rule."""

    view: SourceView
    prediction: CrossPrediction
    ripe_from: dt.date | None
    ripe_to: dt.date | None
    blocked: str = ""
    rule: str = ""
    lifted_by: str = ""
    warning: str = ""

    @property
    def source(self) -> DroneSource:
        return self.view.source

    @property
    def inbreeding_percent(self) -> str:
        return number_format(round(100 * self.prediction.worker_inbreeding, 1), decimal_pos=1)

    @property
    def viability_percent(self) -> str:
        return f"{100 * self.prediction.viability:.0f}"

    @property
    def blocked_word(self) -> str:
        """One or two words for the chip; the sentence stands beside it."""
        words = {
            "health_hold": _("Health hold"),
            "health_certificate": _("Certificate over"),
            "inbreeding_limit": _("Too close"),
            "viability_limit": _("Too much empty brood"),
            "not_ripe": _("Not ripe"),
        }
        return words.get(self.rule, "")


def source_choices(view: BatchView, *, only: Sequence[int] | None = None) -> list[SourceChoice]:
    """Every source of the season that is not withdrawn, in the order of letters; `only` narrows to these ids."""
    batch = view.batch
    all_of = sources_at_hand(batch.season, today=view.today, settings=view.settings)
    views = [all_of[pk] for pk in (all_of if only is None else only) if pk in all_of]
    views = sorted((one for one in views if one.state != "withdrawn"), key=lambda one: one.source.letter)
    run = latest_run(batch.season.cooperative)
    predictions = predict_crosses(batch.mother, [source.source.drone_queen for source in views], run)
    return [_choice(view, source, prediction) for source, prediction in zip(views, predictions, strict=True)]


def _choice(view: BatchView, source: SourceView, prediction: CrossPrediction) -> SourceChoice:
    ripe = _ripe_in_window(view, source)
    blocked, rule, lifted_by = _blocked(view, source, prediction, ripe)
    return SourceChoice(
        view=source,
        prediction=prediction,
        ripe_from=ripe[0] if ripe else None,
        ripe_to=ripe[1] if ripe else None,
        blocked=blocked,
        rule=rule,
        lifted_by=lifted_by,
        warning=_warning(view, source, prediction),
    )


def _ripe_in_window(view: BatchView, source: SourceView) -> tuple[dt.date, dt.date] | None:
    """From the first to the last day on which queens are of age and some cohort is ripe."""
    window = view.calendar.window
    overlaps = [
        (max(cohort.calendar.ripe_from, window.opens_on), min(cohort.calendar.last_on, window.last_with_reason_on))
        for cohort in source.cohorts
        if cohort.cohort.ended_on is None
    ]
    overlaps = [(first, last) for first, last in overlaps if first <= last]
    if not overlaps:
        return None
    return min(first for first, _last in overlaps), max(last for _first, last in overlaps)


def _blocked(
    view: BatchView, source: SourceView, prediction: CrossPrediction, ripe: tuple[dt.date, dt.date] | None
) -> tuple[str, str, str]:
    row = source.source
    if row.hold_since is not None:
        text = _("Health hold since %(day)s: %(reason)s The coordinator can lift it.") % {
            "day": day_words(row.hold_since),
            "reason": row.hold_reason.rstrip(".") + ".",
        }
        return text, "health_hold", "coordinator"
    if row.health_valid_until is not None and row.health_valid_until < view.today:
        text = _("Its health certificate ended on %(day)s. Its keeper can enter a new one.") % {
            "day": day_words(row.health_valid_until)
        }
        return text, "health_certificate", "keeper"
    limit = float(view.settings.inbreeding_limit_share)
    if prediction.worker_inbreeding > limit + 1e-9:
        text = _("%(share)s %% inbreeding of the workers, over this season's limit of %(limit)s %%.") % {
            "share": number_format(round(100 * prediction.worker_inbreeding, 1), decimal_pos=1),
            "limit": number_format(round(100 * limit, 1), decimal_pos=1),
        }
        return text, "inbreeding_limit", "coordinator"
    if prediction.viability < float(view.settings.viability_stop_share):
        text = _("Only %(share).0f %% of the brood would live; the season’s limit is %(limit).0f %%.") % {
            "share": 100 * prediction.viability,
            "limit": 100 * view.settings.viability_stop_share,
        }
        return text, "viability_limit", "coordinator"
    if ripe is None:
        return _not_ripe_words(view, source), "not_ripe", ""
    return "", "", ""


def _not_ripe_words(view: BatchView, source: SourceView) -> str:
    window = view.calendar.window
    first = source.next_ripe_from(window.last_with_reason_on)
    if first is None:
        return _("No drones of %(source)s will be ripe while %(batch)s is of age.") % {
            "source": source.source,
            "batch": view.batch,
        }
    days = (first - window.last_with_reason_on).days
    return ngettext(
        "Its drones turn ripe on %(day)s, %(days)d day after %(batch)s is past it.",
        "Its drones turn ripe on %(day)s, %(days)d days after %(batch)s is past it.",
        days,
    ) % {"day": day_words(first), "days": days, "batch": view.batch}


def _warning(view: BatchView, source: SourceView, prediction: CrossPrediction) -> str:
    settings, share = view.settings, {"share": 100 * prediction.viability}
    if prediction.viability < float(settings.viability_warn_share):
        return _("Expect gaps in the brood: %(share).0f %% of it would live.") % share
    if any(cohort.is_not_counted for cohort in source.cohorts):
        return _("Its brood is not counted yet, so the number of drones is a guess.")
    return ""


@dataclass(frozen=True)
class SessionOption:
    """One bench day for so many queens. `status`: fits, queue, or no; `why` says it in a sentence."""

    session: BenchSession
    age_days: int
    fit: Fit
    free: int
    status: str
    why: str
    rule: str = ""
    short_drones: int = 0
    place_in_queue: int | None = None

    @property
    def needs_reason(self) -> bool:
        return self.fit == Fit.NEEDS_REASON


def session_options(
    view: BatchView, choices: Sequence[SourceChoice], *, queens: int, dose_tenths: int, mode: str
) -> list[SessionOption]:
    """Every session from today on that still gives places, by day."""
    sessions = list(sessions_to_come(view.batch.season, today=view.today))
    room = DroneRoom(view.batch.season, [choice.view for choice in choices])
    return [
        session_option(view, session, choices, room=room, queens=queens, dose_tenths=dose_tenths, mode=mode)
        for session in sessions
    ]


def session_option(
    view: BatchView,
    session: BenchSession,
    choices: Sequence[SourceChoice],
    *,
    room: DroneRoom,
    queens: int,
    dose_tenths: int,
    mode: str,
) -> SessionOption:
    """How one session (annotated by `with_room`) fits. First what cannot be, then what only queues."""
    window = view.calendar.window
    fit = window.fit(session.day)
    free = max(0, session.left)  # type: ignore[attr-defined]
    age = window.ages_on(session.day)[1]

    def option(status: str, why: str, *, rule: str = "", short: int = 0) -> SessionOption:
        place = session.queue + 1 if status == "queue" else None  # type: ignore[attr-defined]
        return SessionOption(session, age, fit, free, status, why, rule, short, place)

    if fit == Fit.TOO_YOUNG:
        text = _("Too early: %(batch)s may be inseminated from %(day)s on.")
        return option("no", text % {"batch": view.batch, "day": day_words(window.opens_on)}, rule="too_young")
    if fit == Fit.PAST_IT:
        text = _("Too late: %(batch)s is past it after %(day)s.")
        return option("no", text % {"batch": view.batch, "day": day_words(window.last_with_reason_on)}, rule="past_it")
    ripe = [
        choice.view
        for choice in choices
        if choice.view.is_ripe_on(session.day) and choice.view.comes_to(session.bench_id)
    ]
    if len(ripe) < (MIN_POOL_SOURCES if mode == BookingMode.POOL else 1):
        return option("no", _not_ripe_that_day(choices, session), rule="not_ripe")
    short = room.short(session, ripe, queens=queens, dose_tenths=dose_tenths, mode=mode)
    if free >= queens and short == 0:
        return option("fits", _fits_words(session, free, window.ages_on(session.day)))
    return option("queue", _queue_words(session, free, short, queens), short=short)


def _not_ripe_that_day(choices: Sequence[SourceChoice], session: BenchSession) -> str:
    day = session.day
    if not any(choice.view.comes_to(session.bench_id) for choice in choices):
        text = _("These drones are not brought to %(bench)s. Choose another bench or source.")
        return text % {"bench": session.bench}
    starts = [start for choice in choices if (start := choice.view.next_ripe_from(day)) is not None]
    if not starts:
        return _("These drones are past it on that day. Choose an earlier day or another source.")
    first = min(starts)
    days = (first - day).days
    if days == 0:
        return _("A mixture needs two ripe sources that day. Choose another day or accept more sources.")
    return ngettext(
        "These drones turn ripe on %(day)s, %(days)d day after that bench day. Choose a later day or another source.",
        "These drones turn ripe on %(day)s, %(days)d days after that bench day. Choose a later day or another source.",
        days,
    ) % {"day": day_words(first), "days": days}


def _fits_words(session: BenchSession, free: int, ages: tuple[int, int]) -> str:
    youngest, oldest = ages
    age = f"{youngest}–{oldest}" if youngest != oldest else str(oldest)
    return ngettext(
        "%(free)d of %(places)d places free, drones enough. Queens %(age)s day old.",
        "%(free)d of %(places)d places free, drones enough. Queens %(age)s days old.",
        oldest,
    ) % {
        "free": free,
        "places": session.places,
        "age": age,
    }


def _queue_words(session: BenchSession, free: int, short: int, queens: int) -> str:
    parts = []
    if free < queens:
        parts.append(
            _("Full.")
            if free == 0
            else ngettext("Only %(n)d place free.", "Only %(n)d places free.", free) % {"n": free}
        )
    if short:
        parts.append(ngettext("%(n)d drone short.", "%(n)d drones short.", short) % {"n": short})
    place = session.queue + 1  # type: ignore[attr-defined]
    parts.append(_("You would be %(nth)s in the queue.") % {"nth": ordinal_words(place)})
    return " ".join(parts)
