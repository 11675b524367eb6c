"""Scales, anchors and season rules of the performance test, and the marking colours.

Scales and rules are those of the standard methods for rearing and selection of queens
(J. Apic. Res. 52(1) 2013, doi:10.3896/IBRA.1.52.1.07), section 3; the words are ours. Anchors that the source
does not print are marked `from memory`. Mites are counted by the standard methods for varroa research (2013).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Any

RESULT_STEP = Decimal("0.001")


def _(text: str) -> str:
    """Mark a text for the translators; whoever shows it translates it."""
    return text


class Rule(StrEnum):
    """How the single scores of a season become its result."""

    MEAN = "mean"
    LOWEST = "lowest"
    SUM = "sum"
    RATIO = "ratio"


class ScoreError(ValueError):
    """A score that cannot be. `field` is value, part, whole, method or hours; the text says what to enter.

    `message` is the text before its `values` are put in, so that both can be translated.
    """

    def __init__(self, field: str, message: str, **values: Any) -> None:
        super().__init__(message % values)
        self.field = field
        self.message = message
        self.values = values


@dataclass(frozen=True, slots=True)
class Anchor:
    """What one point of a scale looks like in the apiary."""

    points: Decimal
    text: str
    is_published: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait:
    """One published trait.

    Parameters
    ----------
    low, high, step : range and finest step of a single value, in `unit`.
    part, whole : what is counted, for traits that are a ratio; empty otherwise.
    factor : the value is `factor` × part / whole.
    methods : names a test goes by; results of two methods are never mixed. Empty: one method only.
    """

    key: str
    name: str
    unit: str
    rule: Rule
    low: Decimal
    high: Decimal
    step: Decimal
    high_is_good: bool
    rows: tuple[str, ...]
    question: str
    anchors: tuple[Anchor, ...] = ()
    part: str = ""
    whole: str = ""
    part_is_of_whole: bool = False
    factor: int = 1
    methods: tuple[str, ...] = ()

    @property
    def is_counted(self) -> bool:
        return self.rule is Rule.RATIO


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleScore:
    """One observation: a value, or for counted traits part and whole (then the value follows from them)."""

    value: Decimal | None = None
    part: int | None = None
    whole: int | None = None
    method: str = ""
    hours: Decimal | None = None


def _anchors(*rows: tuple[str, str, bool]) -> tuple[Anchor, ...]:
    return tuple(Anchor(Decimal(points), text, is_published) for points, text, is_published in rows)


_FOUR_POINTS = (Decimal(1), Decimal(4))

TRAITS: dict[str, Trait] = {
    trait.key: trait
    for trait in (
        Trait(
            key="honey_yield",
            name=_("Honey yield"),
            unit=_("kg"),
            rule=Rule.SUM,
            low=Decimal(0),
            high=Decimal(300),
            step=Decimal("0.1"),
            high_is_good=True,
            rows=("P10",),
            question=_(
                "How much lighter were the supers after extraction? Leave out brood-nest honey and split crops."
            ),
        ),
        Trait(
            key="gentleness",
            name=_("Gentleness"),
            unit=_("points"),
            rule=Rule.MEAN,
            low=_FOUR_POINTS[0],
            high=_FOUR_POINTS[1],
            step=Decimal("0.5"),
            high_is_good=True,
            rows=("P06", "P07"),
            question=_("How gentle was the colony?"),
            anchors=_anchors(
                ("4", _("Can be worked with bare hands and no smoke, and nobody is stung."), True),
                ("3", _("A little smoke is enough to work it without a sting."), True),
                ("2", _("A few bees sting although smoke is used."), False),
                ("1", _("Bees attack in numbers."), False),
            ),
        ),
        Trait(
            key="calmness",
            name=_("Calmness"),
            unit=_("points"),
            rule=Rule.MEAN,
            low=_FOUR_POINTS[0],
            high=_FOUR_POINTS[1],
            step=Decimal("0.5"),
            high_is_good=True,
            rows=("P06", "P08"),
            question=_("How calm were the bees on the comb?"),
            anchors=_anchors(
                ("4", _("Bees go on with their work as if the comb had not been lifted."), True),
                ("3", _("Bees walk about but stay on the comb."), False),
                ("2", _("Some of the bees leave the comb."), False),
                ("1", _("Bees run off the comb and hang in clusters."), False),
            ),
        ),
        Trait(
            key="swarming",
            name=_("Swarming"),
            unit=_("points"),
            rule=Rule.LOWEST,
            low=_FOUR_POINTS[0],
            high=_FOUR_POINTS[1],
            step=Decimal(1),
            high_is_good=True,
            rows=("P09",),
            question=_("Were there swarm cells? Supersedure cells do not count."),
            anchors=_anchors(
                ("4", _("No queen cell with brood in it."), True),
                ("3", _("A few cells with brood, easily kept in check."), True),
                ("2", _("Cells again and again, and other signs well advanced."), True),
                ("1", _("It swarmed, or only drastic measures kept it from swarming."), True),
            ),
        ),
        Trait(
            key="pin_test",
            name=_("Pin test"),
            unit=_("%"),
            rule=Rule.RATIO,
            low=Decimal(0),
            high=Decimal(100),
            step=RESULT_STEP,
            high_is_good=True,
            rows=("P12", "P13", "P14", "P15"),
            question=_("How many of the killed cells were cleaned out when you read the comb?"),
            part=_("cells cleaned out"),
            whole=_("cells killed"),
            part_is_of_whole=True,
            factor=100,
            methods=("pin", "frozen"),
        ),
        Trait(
            key="overwintering",
            name=_("Overwintering index"),
            unit=_("ratio"),
            rule=Rule.RATIO,
            low=Decimal(0),
            high=Decimal(5),
            step=RESULT_STEP,
            high_is_good=True,
            rows=("P11",),
            question=_("How many bees in spring, at the first pollen, for those that went into winter?"),
            part=_("bees in spring"),
            whole=_("bees in autumn"),
        ),
        Trait(
            key="varroa",
            name=_("Varroa on adult bees"),
            unit=_("mites per 100 bees"),
            rule=Rule.RATIO,
            low=Decimal(0),
            high=Decimal(1000),
            step=RESULT_STEP,
            high_is_good=False,
            rows=("P17",),
            question=_("How many mites came off how many bees?"),
            part=_("mites"),
            whole=_("bees"),
            factor=100,
        ),
    )
}


class MarkingColour(StrEnum):
    WHITE = "white"
    YELLOW = "yellow"
    RED = "red"
    GREEN = "green"
    BLUE = "blue"


_COLOUR_OF_LAST_DIGIT = {
    1: MarkingColour.WHITE,
    2: MarkingColour.YELLOW,
    3: MarkingColour.RED,
    4: MarkingColour.GREEN,
    0: MarkingColour.BLUE,
}


def marking_colour(year: int) -> MarkingColour:
    """Return the international marking colour of queens that emerged in `year`, repeating every five years."""
    return _COLOUR_OF_LAST_DIGIT[year % 5]


def trait_of(key: str) -> Trait:
    """Return the trait of this key; ScoreError when there is none."""
    if key not in TRAITS:
        raise ScoreError(
            "trait", _("There is no trait “%(trait)s”; known are %(known)s."), trait=key, known=", ".join(TRAITS)
        )
    return TRAITS[key]


def checked_score(trait_key: str, score: SingleScore) -> Decimal:
    """Return the value of a single score in the trait's unit.

    Raises
    ------
    ScoreError
        A value outside its scale or between its steps, counts that cannot be, an unknown method.
    """
    trait = trait_of(trait_key)
    if trait.methods and score.method not in trait.methods:
        raise _refusal(trait, "method", _("Say how it was tested: %(methods)s."), methods=", ".join(trait.methods))
    if score.hours is not None and score.hours <= 0:
        raise _refusal(
            trait, "hours", _("%(n)s hours are not possible. Enter the hours until you read the comb."), n=score.hours
        )
    if trait.is_counted:
        return _counted(trait, score)
    if score.part is not None or score.whole is not None:
        raise _refusal(trait, "part", _("%(trait)s is not counted. Enter a value in %(unit)s."))
    if score.value is None:
        raise _refusal(trait, "value", _("Enter a value in %(unit)s."))
    return _on_scale(trait, score.value)


def season_result(trait_key: str, scores: Sequence[SingleScore]) -> Decimal | None:
    """Return a colony's result of one season by the published rule of the trait; None without scores.

    Mean, lowest and sum are those of the single values, a ratio is the sum of the parts over the sum of the
    wholes. Rounded half up to 0.001 of the unit.

    Raises
    ------
    ScoreError
        As `checked_score`; also when the scores come from two methods or reading times.
    """
    trait = trait_of(trait_key)
    if not scores:
        return None
    values = [checked_score(trait_key, score) for score in scores]
    _refuse_mixture(trait, scores)
    match trait.rule:
        case Rule.MEAN:
            return _rounded(sum(values, Decimal(0)) / len(values))
        case Rule.LOWEST:
            return min(values)
        case Rule.SUM:
            return sum(values, Decimal(0))
        case Rule.RATIO:
            part, whole = sum(score.part or 0 for score in scores), sum(score.whole or 0 for score in scores)
            return _rounded(Decimal(trait.factor) * part / whole)


def scores_by_method(scores: Sequence[SingleScore]) -> dict[tuple[str, Decimal | None], list[SingleScore]]:
    """Return the scores grouped by method and reading time, each group fit for one `season_result`."""
    groups: dict[tuple[str, Decimal | None], list[SingleScore]] = {}
    for score in scores:
        groups.setdefault((score.method, score.hours), []).append(score)
    return groups


def pin_test_share(cleaned: int, pierced: int) -> Decimal:
    """Return the share of cells cleaned out, 0 to 1, to 0.001."""
    checked_score("pin_test", SingleScore(part=cleaned, whole=pierced, method="pin"))
    return _rounded(Decimal(cleaned) / pierced)


def mites_per_100(mites: int, bees: int) -> Decimal:
    """Return mites on 100 bees, to 0.001."""
    return checked_score("varroa", SingleScore(part=mites, whole=bees))


def overwintering_index(bees_spring: int, bees_autumn: int) -> Decimal:
    """Return bees in spring over bees in autumn, to 0.001."""
    return checked_score("overwintering", SingleScore(part=bees_spring, whole=bees_autumn))


def _counted(trait: Trait, score: SingleScore) -> Decimal:
    part, whole = score.part, score.whole
    if part is None:
        raise _refusal(trait, "part", _("Enter the number of %(parts)s."))
    if whole is None:
        raise _refusal(trait, "whole", _("Enter the number of %(wholes)s."))
    if part < 0:
        raise _refusal(trait, "part", _("%(part)s %(parts)s are not possible. Enter 0 or more."), part=part)
    if whole <= 0:
        raise _refusal(trait, "whole", _("%(whole)s %(wholes)s are not possible. Enter 1 or more."), whole=whole)
    if trait.part_is_of_whole and part > whole:
        message = _("%(part)s %(parts)s of %(whole)s %(wholes)s. Enter %(whole)s or fewer.")
        raise _refusal(trait, "part", message, part=part, whole=whole)
    value = _rounded(Decimal(trait.factor) * part / whole)
    if value > trait.high:
        message = _(
            "%(part)s %(parts)s for %(whole)s %(wholes)s is more than %(high)s %(unit)s. Look at both numbers again."
        )
        raise _refusal(trait, "part", message, part=part, whole=whole)
    if score.value is not None and _rounded(score.value) != value:
        message = _("%(entered)s does not agree with the counts, which give %(value)s %(unit)s.")
        raise _refusal(trait, "value", message, entered=score.value, value=value)
    return value


def _on_scale(trait: Trait, value: Decimal) -> Decimal:
    if not value.is_finite() or not trait.low <= value <= trait.high:
        message = _("%(trait)s runs from %(low)s to %(high)s %(unit)s; %(value)s does not.")
        raise _refusal(trait, "value", message, value=value)
    if (value - trait.low) % trait.step:
        message = _("%(trait)s is scored in steps of %(step)s; %(value)s lies between two.")
        raise _refusal(trait, "value", message, value=value)
    return value


def _refuse_mixture(trait: Trait, scores: Sequence[SingleScore]) -> None:
    if len({score.method for score in scores}) > 1:
        raise _refusal(trait, "method", _("%(trait)s: two methods do not make one result. Keep them apart."))
    if len({score.hours for score in scores}) > 1:
        raise _refusal(trait, "hours", _("%(trait)s: two reading times do not make one result. Keep them apart."))


def _refusal(trait: Trait, field: str, message: str, **values: Any) -> ScoreError:
    """An objection in which the words and limits of the trait can stand."""
    words = {"trait": trait.name, "unit": trait.unit, "parts": trait.part, "wholes": trait.whole}
    return ScoreError(field, message, **words, low=trait.low, high=trait.high, step=trait.step, **values)


def _rounded(value: Decimal) -> Decimal:
    return value.quantize(RESULT_STEP, rounding=ROUND_HALF_UP)
