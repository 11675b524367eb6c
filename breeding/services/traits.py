"""The cooperative's traits: made from the published ones, with starting parameters and weights of its own choice."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding import scoring
from breeding.models import Trait


@dataclass(frozen=True)
class Start:
    """Starting values of a trait: phenotypic SD in its unit, heritabilities, their correlation, merit weight."""

    phenotypic_sd: str
    h2_worker: str
    h2_queen: str
    correlation: str
    weight: str
    in_evaluation: bool = True


# Heritabilities and correlations are our choice inside published ranges (honey 0.26 / 0.15 worker / queen:
# 10.1007/s13592-016-0427-9; hygienic behaviour, infestation, wintering: Insects 11:587, 2020). Phenotypic SDs and
# weights are from memory. All are to be replaced by the cooperative's own estimates and wishes.
STARTS: dict[str, Start] = {
    "honey_yield": Start("14", "0.25", "0.15", "-0.5", "0.35"),
    "gentleness": Start("0.45", "0.35", "0.25", "-0.4", "0.15"),
    "calmness": Start("0.45", "0.35", "0.25", "-0.4", "0.15"),
    "swarming": Start("0.8", "0.25", "0.20", "-0.4", "0.15"),
    "pin_test": Start("18", "0.25", "0.15", "-0.3", "0.20"),
    "overwintering": Start("0.25", "0.20", "0.10", "-0.3", "0", in_evaluation=False),
    "varroa": Start("3", "0.10", "0.05", "-0.2", "0", in_evaluation=False),
}
FIELDS = ["in_evaluation", "merit_weight", "phenotypic_sd", "h2_worker", "h2_queen", "correlation_worker_queen"]


def traits_make(cooperative: Cooperative, *, by: Person | None, now: dt.datetime) -> list[Trait]:
    """The published traits that the cooperative does not have yet; the weights of a fresh set sum to 1."""
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        have = set(Trait.objects.filter(cooperative=cooperative).values_list("key", flat=True))
        fresh = not have
        for position, (key, start) in enumerate(STARTS.items()):
            if key in have:
                continue
            published = scoring.TRAITS[key]
            trait = Trait.objects.create(
                cooperative=cooperative,
                key=key,
                name=published.name,
                unit=published.unit,
                season_rule=published.rule.value,
                high_is_good=published.high_is_good,
                in_evaluation=start.in_evaluation and fresh,
                merit_weight=Decimal(start.weight) if fresh else Decimal(0),
                phenotypic_sd=Decimal(start.phenotypic_sd),
                h2_worker=Decimal(start.h2_worker),
                h2_queen=Decimal(start.h2_queen),
                correlation_worker_queen=Decimal(start.correlation),
                position=position,
            )
            audit_record(
                trait,
                action="trait.make",
                by=by,
                now=now,
                cooperative=cooperative,
                after={"key": key, **fields_of(trait, FIELDS)},
            )
    return list(Trait.objects.filter(cooperative=cooperative))


def trait_weights_set(
    cooperative: Cooperative, *, weights: Mapping[str, Decimal], by: Person | None, now: dt.datetime
) -> None:
    """New merit weights by trait key; together they are 1."""
    traits = {trait.key: trait for trait in Trait.objects.filter(cooperative=cooperative)}
    unknown = set(weights) - set(traits)
    if unknown:
        raise Refusal(_("There is no trait %(key)s.") % {"key": ", ".join(sorted(unknown))}, rule="trait_unknown")
    new = {key: weights.get(key, trait.merit_weight) for key, trait in traits.items()}
    if any(weight < 0 for weight in new.values()) or sum(new.values()) != 1:
        raise Refusal(
            _("The weights must be 0 or more and sum up to 1; they sum up to %(sum)s.") % {"sum": sum(new.values())},
            rule="weights_sum",
        )
    with transaction.atomic():
        for key, trait in traits.items():
            if trait.merit_weight == new[key]:
                continue
            before = trait.merit_weight
            trait.merit_weight = new[key]
            trait.save(update_fields=["merit_weight"])
            audit_record(
                trait,
                action="trait.weight",
                by=by,
                now=now,
                cooperative=cooperative,
                before={"merit_weight": before},
                after={"merit_weight": new[key]},
            )
