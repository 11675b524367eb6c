"""What a source gives and how that was learned, in words."""

from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from scheduling.planning.ages import AgeBand
from scheduling.planning.learning import LearnedShare
from scheduling.planning.pooling import LearnedMean
from scheduling.queries.learned import AgeLearned, SourceLearned
from scheduling.queries.sources import SourceView
from scheduling.queries.supply import reserve_of

FEW_DRONES = 30  # below that a figure is mostly the source's and the others' (our choice)


@dataclass(frozen=True)
class AgeWords:
    """One row of what a source's drones give by their age."""

    age: str
    share: str
    volume: str
    tried: str
    is_few: bool


@dataclass(frozen=True)
class YieldWords:
    """Of one source: each figure with its 10–90 % band, and what it comes from."""

    source: Any
    share: str
    share_from: str
    lost: str
    volume: str
    volume_from: str
    losses: str
    reserve: str
    by_age: list[AgeWords]


def yield_words(view: SourceView) -> YieldWords:
    learned = view.learned.of(view.source)
    share, volume = learned.share, learned.volume
    return YieldWords(
        source=view.source,
        share=_("%(mean)d %% give semen (%(low)d–%(high)d %%)") % _percent(share),
        share_from=_share_from(learned),
        lost=_("%(n)s %% are soiled or break") % {"n": _figure(100 * learned.lost, 1)}
        if learned.lost >= 0.0005
        else "",
        volume=_("%(mean)s µl each (%(low)s–%(high)s)") % _microlitres(volume.ul),
        volume_from=ngettext("%(n)d usable drone measured", "%(n)d usable drones measured", volume.usable)
        % {"n": volume.usable}
        if volume.usable
        else _("not measured yet"),
        losses=_losses(view, learned),
        reserve=reserve_words(reserve_of(view)),
        by_age=[_age_words(row) for row in view.learned.by_age(view.source) if _is_shown(row, view)],
    )


def _is_shown(row: AgeLearned, view: SourceView) -> bool:
    """Ages that were tried, and those at which drones may be used."""
    first, last = view.settings.drone_age_first_days, view.settings.drone_age_last_days
    return bool(row.share.tried) or (row.band.first <= last and (row.band.last is None or row.band.last >= first))


def _age_words(row: AgeLearned) -> AgeWords:
    return AgeWords(
        age=_band(row.band),
        share=_("%(mean)d %% (%(low)d–%(high)d %%)") % _percent(row.share),
        volume=_("%(mean)s µl (%(low)s–%(high)s)") % _microlitres(row.ul),
        tried=_tried(row.share.tried),
        is_few=row.share.tried < FEW_DRONES,
    )


def _band(band: AgeBand) -> str:
    if band.last is None:
        return _("%(first)d days and older") % {"first": band.first}
    if band.first == 0:
        return _("under %(first)d days") % {"first": band.last + 1}
    return _("%(first)d–%(last)d days") % {"first": band.first, "last": band.last}


def _percent(share: LearnedShare) -> dict[str, int]:
    return {"mean": round(100 * share.mean), "low": round(100 * share.low), "high": round(100 * share.high)}


def _microlitres(ul: LearnedMean) -> dict[str, str]:
    return {"mean": _figure(ul.mean, 2), "low": _figure(max(0.0, ul.low), 2), "high": _figure(ul.high, 2)}


def reserve_words(line: tuple[int, int]) -> str:
    """The reserve line for people: a session's volume in tens of µl, and what comes on top once."""
    per_tenth, once = line
    return _("%(per).0f drones for each 10 µl and %(once).0f more each session") % {
        "per": per_tenth / 10,
        "once": once / 1000,
    }


def _figure(value: float, places: int) -> str:
    return number_format(round(value, places), decimal_pos=places)


def _tried(drones: int) -> str:
    return ngettext("%(n)d drone tried", "%(n)d drones tried", drones) % {"n": drones}


def _share_from(learned: SourceLearned) -> str:
    if not learned.share.tried:
        return _("none tried yet: the season's figure, and what the other sources teach")
    drones = _tried(learned.share.tried)
    sessions = ngettext("in %(n)d session", "in %(n)d sessions", learned.sessions) % {"n": learned.sessions}
    return f"{drones} {sessions}"


def _losses(view: SourceView, learned: SourceLearned) -> str:
    survival = view.learned.survival(view.source)
    if survival is None:
        return ""
    share = _("%(n)s %% of the living are lost each day") % {"n": _figure(100 * (1 - float(survival)), 1)}
    if view.source.daily_survival is not None:
        return _("%(share)s, set for this source") % {"share": share}
    if learned.loss is None or not learned.loss.rows:
        return _("%(share)s; none of its combs was counted twice yet") % {"share": share}
    combs = ngettext("%(n)d comb counted again", "%(n)d combs counted again", learned.loss.rows)
    return f"{share}, {combs % {'n': learned.loss.rows}}"
