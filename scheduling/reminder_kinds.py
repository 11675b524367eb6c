"""Every kind of reminder: its words, how long it is of use, whether it is critical.

Critical kinds stand where a missed hour costs a year. They fire at their time whatever the quiet hours
say, and when a sending is in doubt they are sent again (a message read twice does no harm); routine
kinds are not.
"""

import datetime as dt
from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _


@dataclass(frozen=True)
class Kind:
    key: str
    label: str | Promise
    useful_for: dt.timedelta
    critical: bool = False
    icon: str = "bell"


def _kind(key: str, label: str | Promise, *, days: float, critical: bool = False, icon: str = "bell") -> Kind:
    return Kind(key=key, label=label, useful_for=dt.timedelta(days=days), critical=critical, icon=icon)


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
        _kind("cage_cells", _("Cage the ripe cells"), days=1.5, critical=True, icon="queen"),
        _kind("report_emergence", _("Report how many virgins emerged"), days=4, icon="queen"),
        _kind("excluder_on", _("Fit the excluder at every nuc"), days=4, critical=True, icon="queen"),
        _kind(
            "excluder_alarm",
            _("Excluder not confirmed: the virgins may fly"),
            days=2,
            critical=True,
            icon="queen",
        ),
        _kind("first_co2", _("First CO2"), days=0.75, critical=True, icon="queen"),
        _kind("catch_drones", _("Catch and bring drones"), days=1.25, critical=True, icon="drone"),
        _kind("bench_time", _("Bench time"), days=0.5, critical=True, icon="tip"),
        _kind("second_co2", _("Second CO2"), days=1.5, critical=True, icon="queen"),
        _kind("keep_still", _("Keep warm, do not move the nuc"), days=2, icon="queen"),
        _kind("third_co2", _("Third CO2: fewer than two are on record"), days=4, icon="queen"),
        _kind("egg_check", _("Look for eggs"), days=2.5, icon="queen"),
        _kind("sealed_brood", _("Look at the sealed brood: worker or drone?"), days=5, icon="queen"),
        _kind("excluder_off", _("Excluder off: eggs are seen"), days=10, icon="queen"),
        _kind("decide", _("Decide: keep, treat again or give up"), days=14, icon="queen"),
        _kind("lot_limit", _("Stored semen nears its limit"), days=8, icon="tip"),
        _kind("health_ends", _("A health certificate ends"), days=15, icon="drone"),
        _kind("evaluation_ready", _("New breeding values are ready"), days=14, icon="flag"),
        _kind("place_given", _("Plan published"), days=7, icon="flag"),
        _kind("place_moved", _("Plan changed: please look"), days=7, critical=True, icon="flag"),
        _kind("place_offered", _("A place is offered: answer in time"), days=3, critical=True, icon="bell-ring"),
        _kind("place_lost", _("No place in the new plan"), days=7, critical=True, icon="flag"),
    ]
}
