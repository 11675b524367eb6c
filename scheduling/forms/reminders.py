import datetime as dt

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.models import Channel, NotificationWish, Person
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS

CHOICES = [("1", _("In 1 hour")), ("3", _("In 3 hours")), ("24", _("In 24 hours"))]


class PutOffForm(forms.Form):
    """For how long a reminder is put off; the service refuses what would be too late."""

    hours = forms.ChoiceField(label=_("Tell me again"), choices=CHOICES, initial="3", widget=forms.RadioSelect)

    def until(self, *, now: dt.datetime) -> dt.datetime:
        return elapsed_after(now, int(self.cleaned_data["hours"]))


class MailWishForm(forms.Form):
    """Which kinds come by e-mail; the app itself always shows all of them."""

    kinds = forms.MultipleChoiceField(
        label=_("Send me an e-mail for"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        choices=[(kind.key, kind.label) for kind in KINDS.values()],
        help_text=_("Whatever you choose, every reminder also stands under Today and Reminders."),
    )

    @staticmethod
    def wanted_by(person: Person) -> list[str]:
        unwanted = set(
            NotificationWish.objects.filter(person=person, channel=Channel.MAIL, wanted=False).values_list(
                "kind", flat=True
            )
        )
        return [key for key in KINDS if key not in unwanted]
