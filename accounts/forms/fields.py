"""Fields that several forms of this app share."""

from functools import cache
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.utils.translation import get_language
from django.utils.translation import gettext_lazy as _

REGIONS = ["Europe", "Africa", "America", "Asia", "Atlantic", "Australia", "Indian", "Pacific", "Antarctica", "Arctic"]


def zone_choices(empty: Any = None) -> list[tuple[Any, Any]]:
    """Time zones grouped by region; with `empty`, a first entry of that text for none."""
    return [*([("", empty)] if empty is not None else []), *_zones_by_region(), (_("Other"), [("UTC", "UTC")])]


@cache  # reads a folder of several hundred files
def _zones_by_region() -> tuple[tuple[str, list[tuple[str, str]]], ...]:
    zones = sorted(available_timezones())
    groups = (
        (region, [(zone, zone.partition("/")[2].replace("_", " ")) for zone in zones if zone.startswith(f"{region}/")])
        for region in REGIONS
    )
    return tuple(group for group in groups if group[1])


class ZoneField(forms.ChoiceField):
    """A time zone; a zone that is stored but not offered is kept."""

    def __init__(self, *, empty: Any = None, **kwargs: Any) -> None:
        kwargs.setdefault("label", _("Time zone"))
        super().__init__(choices=lambda: zone_choices(empty), required=empty is None, **kwargs)


class LanguageField(forms.ChoiceField):
    """One of the languages of the site, each called by its own name; at first the one that the page is in."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", _("Language"))
        kwargs.setdefault("initial", get_language)
        super().__init__(choices=settings.LANGUAGES, **kwargs)


class DayField(forms.DateField):
    """A calendar day with the device's own picker; typed, it takes 2026-06-09 and 9.6.2026 alike."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        kwargs.setdefault("input_formats", ["%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y"])
        kwargs.setdefault("error_messages", {"invalid": _("Enter a day, for example 2026-06-09.")})
        super().__init__(**kwargs)


class EmailAddressField(forms.EmailField):
    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", _("E-mail"))
        kwargs.setdefault("widget", forms.EmailInput(attrs={"autocomplete": "email"}))
        kwargs.setdefault("error_messages", {"invalid": _("Enter an e-mail address, for example ada@example.org.")})
        super().__init__(**kwargs)


class PasswordField(forms.CharField):
    """As it was typed or pasted: blanks at its ends count. `new` lets password managers offer one."""

    def __init__(self, *, new: bool, **kwargs: Any) -> None:
        autocomplete = "new-password" if new else "current-password"
        kwargs.setdefault("max_length", 128)
        kwargs.setdefault("error_messages", {"max_length": _("Use 128 characters or fewer.")})
        super().__init__(strip=False, widget=forms.PasswordInput(attrs={"autocomplete": autocomplete}), **kwargs)
        if new:
            self.help_text = self.help_text or _("12 characters or more; several words are good.")
