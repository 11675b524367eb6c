"""Every kind of reminder: its words, how long it is of use, whether it is critical.

Critical kinds stand where a missed hour costs a year. They fire at their time whatever the quiet hours
say, and when a sending is in doubt they are sent again (a message read twice does no harm); routine
kinds are not. Those of them that are work to be done are passed on to the deputy and the coordinators until
somebody acknowledges (`planning.timing.ladder`).
"""

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from accounts.models import Role


@dataclass(frozen=True)
class Kind:
    key: str
    label: str | Promise
    useful_for: dt.timedelta
    critical: bool = False
    icon: str = "bell"
    is_news: bool = False
    passes_on: bool = False
    roles: frozenset[str] = frozenset()
    for_members: bool = False

    def is_for(self, roles: Collection[str], *, is_member: bool) -> bool:
        """Whether people with these roles are ever told. A kind that names no role is the members' own.

        What nobody sees to is passed on to the coordinator, who watches over the certificates as well.
        """
        if self.roles:
            return not self.roles.isdisjoint(roles) or (self.for_members and is_member)
        return is_member or (Role.COORDINATOR in roles and (self.passes_on or self.key == HEALTH_ENDS))


def _kind(
    key: str,
    label: str | Promise,
    *,
    days: float,
    critical: bool = False,
    icon: str = "bell",
    news: bool = False,
    passes_on: bool = False,
    roles: Iterable[str] = (),
    for_members: bool = False,
) -> Kind:
    """Describe a kind. What is passed on is critical; news is to be read, not done. Who is told, if not members."""
    useful = dt.timedelta(days=days)
    return Kind(key, label, useful, critical or passes_on, icon, news, passes_on, frozenset(roles), for_members)


BREEDERS = (Role.BREEDER, Role.COORDINATOR)
BENCH = (Role.OPERATOR, Role.COORDINATOR)
PLANNER = (Role.COORDINATOR,)
HEALTH_ENDS = "health_ends"
RUN_STOPPED = "run_stopped"  # long work that ended without a result
WEBHOOK_OFF = "webhook_off"  # nobody outside is told any more
SUMMARY = "summary"  # of the morning, for those who asked for one mail a day
KINDS = {
    kind.key: kind
    for kind in [
        _kind("insert_comb", _("Put the drone comb in"), days=4, icon="drone"),
        _kind("count_capped", _("Count capped drone brood"), days=6, icon="drone"),
        _kind("mark_drones", _("Mark or confine emerging drones"), days=4, icon="drone"),
        _kind("count_drones", _("Count the drones again"), days=6, icon="drone"),
        _kind("confine_breeder", _("Confine the breeder queen to a comb"), days=1, icon="queen"),
        _kind("graft", _("Graft"), days=1, icon="queen"),
        _kind("count_started", _("Count the started cells"), days=3, icon="queen"),
        _kind("cage_cells", _("Cage the ripe cells"), days=1.5, passes_on=True, icon="queen"),
        _kind("report_emergence", _("Report how many virgins emerged"), days=4, icon="queen"),
        _kind("excluder_on", _("Fit the excluder at every nuc"), days=4, passes_on=True, icon="queen"),
        _kind(
            "excluder_alarm",
            _("Excluder not confirmed: the virgins may fly"),
            days=2,
            passes_on=True,
            icon="queen",
        ),
        _kind("first_co2", _("First CO2"), days=0.75, passes_on=True, icon="queen"),
        _kind("catch_drones", _("Catch and bring drones"), days=1.25, passes_on=True, icon="drone"),
        _kind("bench_time", _("Bench time"), days=0.5, passes_on=True, icon="tip"),
        _kind("second_co2", _("Second CO2"), days=1.5, passes_on=True, icon="queen"),
        _kind("keep_still", _("Keep warm, do not move the nuc"), days=2, icon="queen"),
        _kind("third_co2", _("Third CO2: fewer than two are on record"), days=4, passes_on=True, icon="queen"),
        _kind("egg_check", _("Look for eggs"), days=2.5, icon="queen"),
        _kind("sealed_brood", _("Look at the sealed brood: worker or drone?"), days=5, icon="queen"),
        _kind("excluder_off", _("Excluder off: eggs are seen"), days=10, icon="queen"),
        _kind("decide", _("Decide: keep, treat again or give up"), days=14, icon="queen"),
        _kind("semen_news", _("News of semen your queens got"), days=14, critical=True, icon="tip", news=True),
        _kind(
            "lot_limit", _("Stored semen nears its limit"), days=8, icon="tip", roles=(Role.OPERATOR, Role.COORDINATOR)
        ),
        _kind(HEALTH_ENDS, _("A health certificate ends"), days=15, icon="drone"),
        _kind("drones_off", _("Drones are not needed any more"), days=2, critical=True, icon="drone", news=True),
        _kind("plan_ready", _("A plan is worked out"), days=3, icon="flag", news=True, roles=PLANNER),
        _kind("evaluation_ready", _("New breeding values are ready"), days=14, icon="flag", news=True, roles=BREEDERS),
        _kind("variances_ready", _("Variances are estimated"), days=14, icon="flag", news=True, roles=BREEDERS),
        _kind(
            "import_ready",
            _("A table is read, looked at or imported"),
            days=7,
            icon="upload",
            news=True,
            roles=BREEDERS,
            for_members=True,
        ),
        _kind(
            RUN_STOPPED,
            _("Work ended without a result"),
            days=7,
            icon="triangle-alert",
            news=True,
            roles=BREEDERS,
            for_members=True,
        ),
        _kind(WEBHOOK_OFF, _("A webhook was switched off"), days=14, icon="triangle-alert", news=True, roles=PLANNER),
        _kind("place_given", _("Plan published"), days=7, icon="flag", news=True),
        _kind("place_moved", _("Plan changed: please look"), days=7, critical=True, icon="flag", news=True),
        _kind("place_offered", _("A place is offered: answer in time"), days=3, critical=True, icon="bell-ring"),
        _kind(SUMMARY, _("What is due today"), days=0.75, icon="calendar-check", news=True),
        _kind(
            "missed_step",
            _("Not told in time"),
            days=7,
            critical=True,
            icon="triangle-alert",
            news=True,
            roles=(Role.COORDINATOR,),
        ),
        _kind("place_lost", _("No place in the new plan"), days=7, critical=True, icon="flag", news=True),
    ]
}
