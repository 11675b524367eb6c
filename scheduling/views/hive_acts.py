"""What can be said of a batch with one tap at the hives, also without a signal."""

import datetime as dt
import json
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _

from scheduling.models import BenchState
from scheduling.queries.batches import BatchView
from scheduling.queries.events import AWAY
from scheduling.services.batch_rules import OBSERVED


@dataclass(frozen=True)
class HiveAct:
    """One tap. `day_field`: the date it goes with; none for gas, whose moments are taken as it goes on and off."""

    title: str
    said: str
    post: str
    facts: str
    version: int
    day_field: str = ""
    earliest: dt.date | None = None

    @property
    def is_gas(self) -> bool:
        return not self.day_field


def hive_acts(view: BatchView) -> list[HiveAct]:
    """What may be next, in the order of the season; nothing of a closed batch."""
    batch = view.batch
    if batch.closed_on is not None or batch.grafted_on is None:
        return []
    queens = [queen for queen in batch.batch_queens.all() if queen.state not in AWAY]
    dosed = any(queen.doses.all() for queen in queens)
    acts = []
    if batch.caged_on is None and not view.events.emergences:
        acts.append(_step(view, "caged", _("Cells are caged")))
    if queens and batch.excluder_on is None:
        acts.append(_step(view, "excluder", _("Excluder is on every nuc")))
    if queens and batch.first_co2_at is None and not dosed:
        acts.append(_gas(view, "first", _("First CO2"), "scheduling:batch_co2"))
    if any(queen.state == BenchState.INSEMINATED for queen in queens):
        acts.append(_gas(view, "second", _("Second CO2"), "scheduling:batch_second_co2"))
    if dosed and batch.eggs_seen_on is None:
        acts.append(_step(view, "eggs", _("Eggs are seen")))
    return acts


def _step(view: BatchView, step: str, title: str) -> HiveAct:
    batch = view.batch
    return HiveAct(
        title=title,
        said=f"{batch}: {title}",
        post=reverse("scheduling:batch_step", args=[batch.pk, step]),
        facts=json.dumps({"batch": batch.pk, "step": step}),
        version=batch.version,
        day_field=OBSERVED[step].date,
        earliest=batch.grafted_on,
    )


def _gas(view: BatchView, which: str, title: str, page: str) -> HiveAct:
    batch = view.batch
    facts: dict[str, Any] = {"batch": batch.pk, "which": which}
    return HiveAct(
        title=title,
        said=f"{batch}: {title}",
        post=reverse(page, args=[batch.pk]),
        facts=json.dumps(facts),
        version=batch.version,
    )
