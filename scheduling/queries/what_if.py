"""A question of what-if: which fact would be another, the season's facts with it, and the answer for people."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from statistics import median_low
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from accounts.models import Job
from accounts.refusals import Refusal
from scheduling.models import Bench, BenchSession, DroneSource, Plan, Season, SessionState
from scheduling.planning.changed import with_dose, with_drones
from scheduling.planning.facts import settings_from
from scheduling.planning.measures import measures_of
from scheduling.planning.plan import plan_from_json
from scheduling.planning.problem import Problem
from scheduling.planning.timing import local_to_utc
from scheduling.queries.compare import MemberCompared, members_compared
from scheduling.queries.plan_rows import first_day_of, pure_plan
from scheduling.queries.plan_words import permille_words
from scheduling.queries.problem import problem_of
from scheduling.queries.season import own_values
from scheduling.queries.words import day_words, volume_words

LIMITS = ("operator_minutes", "places", "collect_drones")
STARTS, ENDS = dt.time(9, 30), dt.time(14, 0)
#: What one question can change, and whether the coordinator alone can make it so.
KINDS = {"limits": True, "session": True, "level": True, "cap": True, "dose": False, "drones": False}


def is_the_coordinators(kind: str) -> bool:
    return KINDS.get(kind, False)


class WhatIf:
    """One changed fact of a season.

    `change` holds `kind` and: `limits`: session, operator_minutes, places, collect_drones; `session`: bench, day;
    `level`: value (0 to 1); `cap`: source, permille or None; `dose`: tenths of a µl; `drones`: source, session, drones.
    """

    def __init__(self, season: Season, change: Mapping[str, Any]) -> None:
        self.season, self.change = season, dict(change)
        self.kind = str(change["kind"])
        if self.kind not in KINDS:
            raise ValueError(f"kind is {self.kind!r}, must be one of {', '.join(KINDS)}")

    @cached_property
    def session(self) -> BenchSession:
        found = self.season.sessions.select_related("bench").filter(pk=self.change["session"]).first()
        if found is None or found.state != SessionState.OPEN:
            raise Refusal(_("This bench day is not open any more."), rule="what_if_session")
        return found

    @cached_property
    def source(self) -> DroneSource:
        found = self.season.sources.filter(pk=self.change["source"], withdrawn_at=None).first()
        if found is None:
            raise Refusal(_("This source is not offered any more."), rule="what_if_source")
        return found

    @property
    def limits(self) -> dict[str, int]:
        return {name: int(self.change[name]) for name in LIMITS}

    @property
    def level(self) -> Decimal:
        return Decimal(str(self.change["value"]))

    @property
    def cap(self) -> int | None:
        return None if self.change["permille"] is None else int(self.change["permille"])

    @cached_property
    def opening(self) -> dict[str, Any]:
        """A session as the bench usually has them, as `services.sessions.session_open` takes it."""
        bench = Bench.objects.get(pk=self.change["bench"], cooperative=self.season.cooperative_id)
        return {"bench": bench, "day": dt.date.fromisoformat(self.change["day"]), **usual_session(self.season, bench)}

    @property
    def words(self) -> str:
        """“With 200 operator minutes, 20 places and helpers for 300 drones on Fri 12 June at Mill bench”"""
        if self.kind == "limits":
            return _(
                "%(operator_minutes)d operator minutes, %(places)d places and helpers for %(collect_drones)d drones: "
                "%(session)s"
            ) % {**self.limits, "session": self.session}
        if self.kind == "session":
            opening = self.opening
            return _(
                "One more bench day: %(day)s at %(bench)s, %(operator_minutes)d operator minutes, %(places)d places, "
                "helpers for %(collect_drones)d drones"
            ) % {**opening, "day": day_words(opening["day"])}
        if self.kind == "level":
            return _("A service level of %(level)s") % {"level": permille_words(round(1000 * self.level))}
        if self.kind == "cap":
            if self.cap is None:
                return _("%(source)s without a cap of its own") % {"source": self.source}
            return _("%(source)s gives %(share)s of all semen at most") % {
                "source": self.source,
                "share": permille_words(self.cap),
            }
        if self.kind == "dose":
            return _("%(volume)s for every queen") % {"volume": volume_words(int(self.change["tenths"]))}
        drones = int(self.change["drones"])
        return ngettext(
            "%(n)d more safe drone of %(source)s, ripe on %(day)s",
            "%(n)d more safe drones of %(source)s, ripe on %(day)s",
            drones,
        ) % {"n": drones, "source": self.source, "day": day_words(self.session.day)}

    def problem(self, *, now: dt.datetime) -> Problem:
        """The facts as they would be. Rows are changed in a transaction that is rolled back: nothing is written."""
        if self.kind == "dose":
            return with_dose(problem_of(self.season, now=now), int(self.change["tenths"]))
        if self.kind == "drones":
            problem = problem_of(self.season, now=now)
            day = (self.session.day - first_day_of(problem)).days
            if not 0 <= day < problem.days:
                raise Refusal(_("This bench day is past."), rule="what_if_session")
            return with_drones(problem, str(self.source.pk), day, int(self.change["drones"]))
        if self.kind == "level":
            settings = settings_from({**own_values(self.season), "service_level_share": self.level})
            return problem_of(self.season, now=now, settings=settings)
        with transaction.atomic():
            self._change_rows()
            found = problem_of(self.season, now=now)
            transaction.set_rollback(True)
        return found

    def _change_rows(self) -> None:
        if self.kind == "limits":
            BenchSession.objects.filter(pk=self.session.pk).update(**self.limits)
        elif self.kind == "cap":
            DroneSource.objects.filter(pk=self.source.pk).update(share_cap_permille=self.cap)
        else:
            opening = dict(self.opening)
            starts, ends, zone = opening.pop("starts"), opening.pop("ends"), self.season.cooperative.time_zone
            BenchSession.objects.create(
                season=self.season,
                starts_at=local_to_utc(opening["day"], starts, zone),
                ends_at=local_to_utc(opening["day"], ends, zone),
                **opening,
            )


def usual_session(season: Season, bench: Bench) -> dict[str, Any]:
    """Hours of the bench's last session and the middle of its figures; of all benches where it has none yet."""
    held = BenchSession.objects.filter(season=season, places__gt=0).exclude(state=SessionState.CANCELLED)
    known = list(held.filter(bench=bench).order_by("day", "pk")) or list(held.order_by("day", "pk"))
    if not known:
        return {
            "starts": STARTS,
            "ends": ENDS,
            "places": 14,
            "operator_minutes": 180,
            "collect_drones": 300,
            "co2_capacity": 40,
        }
    zone = ZoneInfo(season.cooperative.time_zone)
    return {
        "starts": known[-1].starts_at.astimezone(zone).time(),
        "ends": known[-1].ends_at.astimezone(zone).time(),
        **{
            name: median_low(getattr(session, name) for session in known)
            for name in ("places", "operator_minutes", "collect_drones", "co2_capacity")
        },
    }


def points_of(job: Job) -> list[dict[str, Any]]:
    """The choices on the changed facts as the worker kept them, the one with the fewest moves first."""
    return list(job.result.get("then", []))


@dataclass(frozen=True)
class ShownAnswer:
    """One choice on the changed facts beside the plan asked of.

    gain, owed : queens more than that plan, and more than it repaired on the facts as they are.
    """

    name: str
    title: str
    served: int
    moved: int
    gain: int
    owed: int
    lowest_percent: float | None
    effective_sources: float
    members: list[MemberCompared]


TITLES = {"fewest": gettext_lazy("Fewest moves"), "most": gettext_lazy("Most queens")}


def answers_of(job: Job, plan: Plan, question: WhatIf, *, now: dt.datetime) -> list[ShownAnswer]:
    """The answer for people, worked out with the day's facts; empty when the day has passed."""
    problem = question.problem(now=now)
    if problem.meta["first_day"] != job.result.get("first_day"):
        return []
    before = pure_plan(plan, problem)
    served = measures_of(problem, before).served
    least = {name: point["served"] for point in job.result["now"] for name in point["names"]}
    found = []
    for point in points_of(job):
        pure = plan_from_json(point["plan"])
        measures = measures_of(problem, pure)
        name = point["names"][0]
        found.append(
            ShownAnswer(
                name=name,
                title=" · ".join(str(TITLES[known]) for known in point["names"]),
                served=point["served"],
                moved=point["moved"],
                gain=point["served"] - served,
                owed=point["served"] - least[name],
                lowest_percent=None if measures.lowest is None else float(100 * measures.lowest),
                effective_sources=measures.effective_sources,
                members=[
                    row for row in members_compared(problem, before, pure) if row.difference or row.stay_elsewhere
                ],
            )
        )
    return found
