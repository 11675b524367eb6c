"""The cooperative's traits: made from the published ones, with starting parameters and weights of its own choice."""

import datetime as dt
from collections.abc import Mapping, Sequence
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
    cooperative: Cooperative,
    *,
    weights: Mapping[str, Decimal],
    takes_part: Mapping[str, bool] | None = None,
    seen: str | None = None,
    by: Person | None,
    now: dt.datetime,
) -> list[Trait]:
    """New merit weights by trait key, together 1, and which traits take part in evaluations.

    A trait that gets a weight takes part; one that takes no part weighs nothing. seen : `weights_text` that the
    person started from; if they are others meanwhile, nothing is changed. Returns the traits that changed.
    """
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        traits = {
            trait.key: trait for trait in Trait.objects.filter(cooperative=cooperative).select_related("cooperative")
        }
        part = {key: (takes_part or {}).get(key, trait.in_evaluation) for key, trait in traits.items()}
        new = {key: weights.get(key, trait.merit_weight) for key, trait in traits.items()}
        _check_weights(traits, {*weights, *(takes_part or {})}, new)
        part = _parts(traits, part, new, said=takes_part is not None)
        changed = [t for key, t in traits.items() if (t.merit_weight, t.in_evaluation) != (new[key], part[key])]
        if changed and seen is not None and seen != weights_text(list(traits.values())):
            raise Refusal(
                _("Somebody changed the weights meanwhile. Look at what they are now, then change them again."),
                rule="changed_meanwhile",
            )
        for trait in changed:
            _change(trait, weight=new[trait.key], takes_part=part[trait.key], by=by, now=now)
    return changed


def weights_text(traits: Sequence[Trait]) -> str:
    """The weights as they are now; a change of any of them changes it."""
    return " ".join(f"{t.key}={t.merit_weight:.2f}{'+' if t.in_evaluation else '-'}" for t in traits)


def _check_weights(traits: Mapping[str, Trait], named: set[str], new: Mapping[str, Decimal]) -> None:
    unknown = named - set(traits)
    if unknown:
        raise Refusal(_("There is no trait %(key)s.") % {"key": ", ".join(sorted(unknown))}, rule="trait_unknown")
    if any(weight < 0 for weight in new.values()) or sum(new.values()) != 1:
        raise Refusal(
            _("The weights must be 0 or more and sum up to 1; they sum up to %(sum)s.") % {"sum": sum(new.values())},
            rule="weights_sum",
        )


def _parts(
    traits: Mapping[str, Trait], part: Mapping[str, bool], new: Mapping[str, Decimal], *, said: bool
) -> dict[str, bool]:
    """Who takes part; a weight brings a trait in unless somebody said that it stays out."""
    for key, trait in traits.items():
        if said and new[key] > 0 and not part[key]:
            raise Refusal(
                _("%(trait)s has a weight, so it must take part. Let it take part, or give it weight 0.")
                % {"trait": trait},
                field=key,
                rule="weight_without_part",
            )
    return {key: part[key] or new[key] > 0 for key in traits}


def _change(trait: Trait, *, weight: Decimal, takes_part: bool, by: Person | None, now: dt.datetime) -> None:
    if trait.merit_weight != weight:
        _record(trait, "trait.weight", "merit_weight", weight, by=by, now=now)
    if trait.in_evaluation != takes_part:
        _record(trait, "trait.takes_part", "in_evaluation", takes_part, by=by, now=now)


def _record(
    trait: Trait, action: str, field: str, value: Decimal | bool, *, by: Person | None, now: dt.datetime
) -> None:
    before = getattr(trait, field)
    setattr(trait, field, value)
    trait.save(update_fields=[field])
    audit_record(
        trait,
        action=action,
        by=by,
        now=now,
        cooperative=trait.cooperative,
        before={field: before},
        after={field: value},
    )
