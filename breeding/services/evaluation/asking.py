"""Asking for an evaluation: what may be chosen, what is refused at once. Loads no kernel, so any page may import it."""

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Job, Person
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask
from breeding.models import Trait
from breeding.queries.ranking import open_evaluation_job
from breeding.services.rules import local_day

KIND = "evaluation"
USUAL, STARTER = "usual", "starter"
PARAMETER_SOURCES = (USUAL, STARTER)


@dataclass(frozen=True)
class Choices:
    """What an evaluation is made of. Nothing chosen: every trait that takes part, every score up to today.

    trait_keys : empty for all that take part. first_day, last_day : scores of these days and between them.
    parameters : `usual` takes the adopted estimates where there are some, `starter` the traits' starting values.
    is_trial : kept beside the others; members and planners go on seeing the latest that is none.
    whole : also the slow parts: errors anew, trend, predictions held against later results.
    """

    trait_keys: tuple[str, ...] = ()
    first_day: dt.date | None = None
    last_day: dt.date | None = None
    parameters: str = USUAL
    is_trial: bool = False
    whole: bool = True

    def arguments(self) -> dict[str, Any]:
        return {
            "traits": list(self.trait_keys),
            "records_from": self.first_day.isoformat() if self.first_day else None,
            "records_until": self.last_day.isoformat() if self.last_day else None,
            "parameters": self.parameters,
            "is_trial": self.is_trial,
            "whole": self.whole,
        }

    @classmethod
    def of(cls, arguments: dict[str, Any]) -> "Choices":
        """From a job's arguments; those of an earlier release know only the last day."""
        first, last = arguments.get("records_from"), arguments.get("records_until")
        return cls(
            trait_keys=tuple(arguments.get("traits", ())),
            first_day=dt.date.fromisoformat(first) if first else None,
            last_day=dt.date.fromisoformat(last) if last else None,
            parameters=arguments.get("parameters", USUAL),
            is_trial=arguments.get("is_trial", False),
            whole=arguments.get("whole", True),
        )


def evaluation_ask(
    cooperative: Cooperative,
    *,
    by: Person | None,
    now: dt.datetime,
    choices: Choices | None = None,
    key: uuid.UUID | None = None,
) -> Job:
    """Put an evaluation in line; while one is open, that one is returned: never two at the same time."""
    wanted = checked_choices(cooperative, choices or Choices(), today=local_day(now, cooperative))
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        running = open_evaluation_job(cooperative)
        if running is not None:
            return running
        return job_ask(KIND, cooperative=cooperative, by=by, now=now, arguments=wanted.arguments(), key=key)


def checked_choices(cooperative: Cooperative, choices: Choices, *, today: dt.date) -> Choices:
    """Refuse what cannot be meant, and fill in today as the last day."""
    last = choices.last_day or today
    if last > today:
        raise Refusal(
            _("%(day)s is still to come. Choose today or an earlier day.") % {"day": last.isoformat()},
            field="last_day",
            rule="future_day",
        )
    if choices.first_day is not None and choices.first_day > last:
        raise Refusal(
            _("The first day lies after the last day. Swap them, or leave the first day empty."),
            field="first_day",
            rule="period",
        )
    if choices.parameters not in PARAMETER_SOURCES:
        raise Refusal(_("Choose which variances the evaluation starts from."), field="parameters", rule="parameters")
    known = set(Trait.objects.filter(cooperative=cooperative, in_evaluation=True).values_list("key", flat=True))
    unknown = [key for key in choices.trait_keys if key not in known]
    if unknown:
        raise Refusal(
            _("%(traits)s takes no part in evaluations here. Choose among the traits shown.")
            % {"traits": ", ".join(unknown)},
            field="trait_keys",
            rule="traits",
        )
    return Choices(choices.trait_keys, choices.first_day, last, choices.parameters, choices.is_trial, choices.whole)
