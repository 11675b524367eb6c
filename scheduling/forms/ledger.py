from django import forms
from django.utils.translation import gettext_lazy as _


class PrioritiesForm(forms.Form):
    """The season's order of priorities."""

    even_shares_first = forms.TypedChoiceField(
        label=_("Who is served first"),
        choices=[("1", _("The member with the smallest share")), ("0", _("As many queens as possible"))],
        coerce=lambda value: value == "1",
    )
    given_counts = forms.TypedChoiceField(
        label=_("At equal shares"),
        choices=[("1", _("Who gave more drones this season")), ("0", _("Who asked first"))],
        coerce=lambda value: value == "1",
    )
    offer_hours = forms.IntegerField(
        label=_("Hours to answer an offer"),
        min_value=1,
        max_value=72,
        help_text=_("Then the places go to the next. An offer always ends before the first CO2 would be due."),
    )
