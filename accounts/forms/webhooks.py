"""Where the cooperative's events are told, and which."""

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.audit_words import ACTIONS
from accounts.webhooks import EVENTS

THINGS = {
    "queen": _("Queen"),
    "mating": _("Mating"),
    "colony": _("Colony"),
    "score": _("Score"),
    "evaluation": _("Breeding values"),
    "cross": _("Planned cross"),
    "batch": _("Queen batch"),
    "source": _("Drone source"),
    "cohort": _("Drone comb"),
    "session": _("Bench day"),
    "booking": _("Request"),
    "plan": _("Plan"),
    "offer": _("Offered place"),
    "check": _("Look at a queen"),
}


def event_words(event: str) -> str:
    """What happened to what: “Plan: published”."""
    thing = THINGS.get(event.partition(".")[0])
    return f"{thing}: {ACTIONS[event]}" if thing and event in ACTIONS else event


class WebhookForm(forms.Form):
    name = forms.CharField(
        label=_("What listens there?"), max_length=80, help_text=_("So that you know later which one it was.")
    )
    url = forms.CharField(
        label=_("Address"),
        max_length=500,
        widget=forms.TextInput(attrs={"inputmode": "url", "autocomplete": "off", "spellcheck": "false"}),
        help_text=_("It begins with https:// and can be reached from everywhere."),
    )
    events = forms.MultipleChoiceField(
        label=_("It is told of"),
        choices=lambda: [(event, event_words(event)) for event in EVENTS],
        widget=forms.CheckboxSelectMultiple,
        help_text=_("It hears which thing it was, not what it holds: for that it asks with a key."),
    )
