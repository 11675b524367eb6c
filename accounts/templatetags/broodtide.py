"""Tags and filters of every template. Loaded everywhere as a builtin."""

import datetime as dt
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from functools import lru_cache
from typing import Any

from django import template
from django.contrib.messages.storage.base import Message
from django.forms import BoundField
from django.templatetags.static import static
from django.utils import timezone
from django.utils.formats import number_format
from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from accounts.http import folder_above
from accounts.states import State, state_of
from accounts.told import day_written

register = template.Library()

MINUS = "−"
SOURCE_COLOURS = 6
UNDO_TAG = "undo:"


# The small parts stand hundreds of times on a page of lines or of a plan, mostly the same ones: each is written once.


@register.simple_tag
@lru_cache(maxsize=1024)
def icon(name: str, css: str = "", label: str = "") -> SafeString:
    """One picture of the sprite; with `label` it speaks, else it is hidden from screen readers."""
    css = f"icon {css}".strip()
    href = f"{static('icons.svg')}#{name}"
    if label:
        return format_html('<svg class="{}" role="img" aria-label="{}"><use href="{}"/></svg>', css, label, href)
    return format_html('<svg class="{}" aria-hidden="true" focusable="false"><use href="{}"/></svg>', css, href)


@register.simple_tag(takes_context=True)
def nearest_list(context: Any) -> str:
    """The list that the address of this request belongs to; nothing where that is Today."""
    request = context.get("request")
    above = folder_above(request.path) if request else "/"
    return "" if above == "/" else above


@register.simple_tag
def state_chip(thing: str, key: str, label: str = "") -> SafeString:
    """The chip of a state; `label` says more than the word of the registry (“Short 38 drones”)."""
    return chip(state_of(thing, key), label)


@register.simple_tag
def chip(state: State, label: str = "") -> SafeString:
    return _chip(state.tone, state.icon, str(label or state.label))


@lru_cache(maxsize=4096)
def _chip(tone: str, picture: str, word: str) -> SafeString:
    return format_html(
        '<span class="chip" data-tone="{}"><span class="chip-icon">{}</span><span class="chip-word">{}</span></span>',
        *(tone, icon(picture), co2(word)),
    )


@register.simple_tag
def state_word(thing: str, key: str) -> Any:
    """The word alone, for sentences and table cells."""
    return state_of(thing, key).label


@register.simple_tag
def disc(source: Any, with_name: bool = True) -> SafeString:
    """The disc of a drone source (anything with `letter` and `name`): letter, colour, name."""
    return _disc(str(source.letter), str(source.name) if with_name else "")


@lru_cache(maxsize=1024)
def _disc(letter: str, name: str) -> SafeString:
    return format_html(
        '<span class="disc-line"><span class="disc" data-d="{}"{}>{}</span>{}</span>',
        source_colour(letter),
        mark_safe(' aria-hidden="true"') if name else "",  # nosec
        letter,
        format_html('<span class="disc-name">{}</span>', name) if name else "",
    )


def source_colour(letter: str) -> int:
    """1 to 6 for the letters A to F; 0 beyond: from there letters and names alone tell sources apart."""
    index = ord(letter[0].upper()) - ord("A") + 1 if len(letter) == 1 else 0
    return index if 1 <= index <= SOURCE_COLOURS else 0


@register.simple_tag(takes_context=True)
def page_address(context: dict[str, Any], number: int, key: str = "") -> str:
    """The address of another page of a list, with the other filters as they are."""
    query = context["request"].GET.copy()
    query[key or "page"] = number
    return f"?{query.urlencode()}"


@register.filter
def ul(tenths: Any) -> str:
    """A volume in whole tenths of a µl, in words: 80 → “8 µl”, 85 → “8.5 µl”, None → “–”."""
    if tenths is None or tenths == "":
        return "–"
    whole, rest = divmod(int(tenths), 10)
    number = number_format(Decimal(int(tenths)) / 10, decimal_pos=1) if rest else number_format(whole)
    return f"{number} µl"


@register.filter
def short_day(value: dt.date | None, today: dt.date | None = None) -> str:
    """“Thu 25 June”; the year only if it is not this one. A moment is taken in the active zone."""
    if value is None or value == "":
        return "–"
    day = timezone.localtime(value).date() if isinstance(value, dt.datetime) and timezone.is_aware(value) else value
    if isinstance(day, dt.datetime):
        day = day.date()
    this_year = (today or timezone.localdate()).year
    return day_written(day, "MONTH_DAY_FORMAT" if day.year == this_year else "DATE_FORMAT")


@register.filter
def short_moment(value: dt.datetime | None) -> str:
    """“Thu 25 June, 09:30” in the active zone; the year only if it is not this one."""
    return f"{short_day(value)}, {timezone.localtime(value):%H:%M}" if value else "–"


@register.filter
def day_month(day: dt.date) -> str:
    """“25 Jun”, where there is little room."""
    return day_written(day, pgettext("date format", "j M"))


@register.filter
def signed(value: Any, places: int = 1) -> str:
    """A number with its sign and a true minus: 6.1 → “+6.1”, -0.34 → “−0.3”, None → “–”."""
    if value is None or value == "":
        return "–"
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        return "–"
    if not number.is_finite():
        return "–"
    number = number.quantize(Decimal(1).scaleb(-int(places)), ROUND_HALF_UP)
    sign = "" if number == 0 else "+" if number > 0 else MINUS
    return sign + number_format(abs(number), decimal_pos=int(places))


@register.filter
def co2(text: Any) -> SafeString:
    """CO2 in running text, escaped, with its low figure."""
    return mark_safe(conditional_escape(text).replace("CO2", "CO<sub>2</sub>"))  # noqa: S308  # nosec


@register.filter
def svg(drawing: str) -> SafeString:
    """A drawing of viz, which escapes everything it is given; anything else is escaped here."""
    return mark_safe(drawing) if drawing.startswith("<svg") else conditional_escape(drawing)  # noqa: S308  # nosec


@register.filter
def undo_url(message: Message) -> str:
    """The address that takes the act back, if the message carries one (extra_tags="undo:/…/")."""
    tags = str(message.extra_tags or "").split()
    return next((tag.removeprefix(UNDO_TAG) for tag in tags if tag.startswith(UNDO_TAG)), "")


@register.filter
def widget_kind(field: BoundField) -> str:
    """How parts/field.html lays the field out: checkbox, choices, area, select, number or text."""
    widget = field.field.widget
    names = {parent.__name__ for parent in type(widget).__mro__}
    if names & {"RadioSelect", "CheckboxSelectMultiple"}:
        return "choices"
    if "CheckboxInput" in names:
        return "checkbox"
    if "Textarea" in names:
        return "area"
    if "Select" in names:
        return "select"
    return "number" if names & {"NumberInput"} or widget.attrs.get("inputmode") == "decimal" else "text"


@register.simple_tag
def control(field: BoundField, css: str = "") -> SafeString:
    """The bare input of a bound field with its classes; Django ties it to its help and its errors."""
    own = str(field.field.widget.attrs.get("class", ""))
    return field.as_widget(attrs={"class": " ".join(filter(None, [own, "input", css]))})


@register.simple_tag
def error_target(field: BoundField) -> str:
    """The id that a link in the list of errors leads to: the first input of the field."""
    return f"{field.auto_id}_0" if widget_kind(field) == "choices" else str(field.auto_id)


@register.filter
def or_dash(value: Any) -> Any:
    """A dash where nothing is recorded; 0 stays 0."""
    return "–" if value is None or value == "" else value


@register.simple_tag
def sent_text(waiting: int = 0) -> str:
    """The header's word on entries kept on this device."""
    return _("All sent") if not waiting else _("%(number)s to send") % {"number": waiting}
