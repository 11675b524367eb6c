"""Tags of the stock's pages: marking colours, sureness, values with their error, shares."""

from typing import Any

from django import template
from django.utils.formats import number_format
from django.utils.translation import gettext_lazy as _

from breeding.models import Queen, Trait
from breeding.queries.ranking import sureness_of
from breeding.scoring import MarkingColour, marking_colour

register = template.Library()

COLOUR_WORDS = {
    MarkingColour.WHITE: _("white"),
    MarkingColour.YELLOW: _("yellow"),
    MarkingColour.RED: _("red"),
    MarkingColour.GREEN: _("green"),
    MarkingColour.BLUE: _("blue"),
}
# Paint and the colour of a number on it; a sign, always with its word beside it.
PAINT = {
    MarkingColour.WHITE: ("#ffffff", "#000000"),
    MarkingColour.YELLOW: ("#f5d000", "#000000"),
    MarkingColour.RED: ("#c01818", "#ffffff"),
    MarkingColour.GREEN: ("#14713a", "#ffffff"),
    MarkingColour.BLUE: ("#1c4fb0", "#ffffff"),
}


@register.inclusion_tag("breeding/mark.html")
def mark(queen: Queen, with_word: bool = True) -> dict[str, Any]:
    """The marking colour of her year: a painted disc with her number, and the word."""
    if queen.birth_year is None:
        return {"colour": None}
    colour = marking_colour(queen.birth_year)
    paint, text = PAINT[colour]
    return {
        "colour": colour,
        "word": COLOUR_WORDS[colour],
        "paint": paint,
        "text": text,
        "number": queen.mark_number,
        "year": queen.birth_year,
        "with_word": with_word,
    }


@register.filter
def colour_word(year: int | None) -> str:
    return "" if year is None else str(COLOUR_WORDS[marking_colour(year)])


@register.filter
def sureness(reliability: float | None) -> str:
    """Key of the word for how sure a value is."""
    return sureness_of(reliability)


@register.filter
def places_of(trait: Trait) -> int:
    """Decimals that mean something for this trait."""
    return 2 if trait.phenotypic_sd < 2 else 1


@register.filter
def plain_number(value: Any, places: int = 1) -> str:
    if value is None or value == "":
        return "–"
    return number_format(round(value, int(places)), decimal_pos=int(places))


@register.filter
def score_number(value: Any) -> str:
    """A score without trailing zeros: 3.500 → “3.5”."""
    if value is None:
        return "–"
    plain = value.normalize()
    return number_format(plain, decimal_pos=max(0, -plain.as_tuple().exponent))


@register.filter
def percent(share: float | None, places: int = 0) -> str:
    """0.125 → “12.5 %”."""
    if share is None:
        return "–"
    return f"{number_format(round(share * 100, int(places)), decimal_pos=int(places))} %"
