"""Members, persons and oneself."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer, can_manage_people
from accounts.forms.fields import DayField, EmailAddressField, LanguageField, PasswordField, ZoneField
from accounts.forms.named import MEMBERS, PEOPLE, NamedField
from accounts.models import Member, Person, Role
from accounts.queries.people import members_acted_for_by, people_of

PHONE = {"autocomplete": "tel", "inputmode": "tel"}


class SettingsForm(forms.Form):
    name = forms.CharField(label=_("Your name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"}))
    user_name = forms.CharField(
        label=_("User name"),
        max_length=40,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}),
        help_text=_("To sign in with, where the address is too long to type. Your address keeps working."),
    )
    phone = forms.CharField(
        label=_("Telephone"), max_length=40, required=False, widget=forms.TextInput(attrs={**PHONE, "type": "tel"})
    )
    time_zone = ZoneField(empty=_("As the cooperative"))
    language = LanguageField(help_text=_("Of the pages, of mails and messages, and of your calendar."))


class CooperativeLanguageForm(forms.Form):
    language = LanguageField(help_text=_("Of messages to people who have not chosen theirs yet."))


class EmailForm(forms.Form):
    email = EmailAddressField(label=_("New e-mail"), help_text=_("You sign in with it and are told by it."))
    current = PasswordField(label=_("Your password"), new=False)


class ForgetForm(forms.Form):
    """It cannot be undone, so a tick comes before the button."""

    sure = forms.BooleanField(label=_("I know that this cannot be undone"))


class ForgetSelfForm(ForgetForm):
    current = PasswordField(label=_("Your password"), new=False)


class MemberForm(forms.Form):
    name = forms.CharField(
        label=_("Name of the member"), max_length=120, help_text=_("The apiary business, as everybody knows it.")
    )


class MemberChangeForm(MemberForm):
    """The name is the coordinator's to change; the deputy also the member's own persons'."""

    def __init__(self, *args: Any, viewer: Viewer, member: Member, **kwargs: Any) -> None:
        kwargs["initial"] = {"name": member.name, "deputy": member.deputy_id}
        super().__init__(*args, **kwargs)
        self.fields["deputy"] = NamedField(
            people_of(viewer.cooperative),
            named=PEOPLE,
            label=_("Deputy"),
            required=False,
            empty_label=_("Nobody"),
            help_text=_("Is told of what is due when nobody of the member answers."),
        )
        if not can_manage_people(viewer):
            self.fields["name"].disabled = True
            self.fields["name"].help_text = _("The coordinator changes it.")


class LeaveForm(forms.Form):
    left_on = DayField(label=_("Left on"))

    def __init__(self, *args: Any, viewer: Viewer, member: Member, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"] = NamedField(
            members_acted_for_by(viewer).exclude(pk=member.pk),
            named=MEMBERS,
            label=_("Who takes over"),
            required=False,
            empty_label=_("Nobody: everything stays with it"),
            help_text=_(
                "Gets its apiaries with their colonies, its living queens, and of this season its batches, "
                "drone sources, bookings and reminders."
            ),
        )


class PersonForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    email = EmailAddressField(
        widget=forms.EmailInput(attrs={"autocomplete": "off"}), help_text=_("They sign in with it.")
    )
    phone = forms.CharField(
        label=_("Telephone"), max_length=40, required=False, widget=forms.TextInput(attrs={"type": "tel"})
    )
    roles = forms.MultipleChoiceField(
        label=_("Roles"),
        choices=Role.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Who acts for a member needs none."),
    )

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["member"] = NamedField(
            members_acted_for_by(viewer),
            named=MEMBERS,
            label=_("Acts for"),
            required=False,
            empty_label=_("No member"),
        )
        self.order_fields(["name", "email", "phone", "member", "roles"])


class ComeInForm(forms.Form):
    """Whoever was invited says how they are called and chooses a password."""

    name = forms.CharField(label=_("Your name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"}))
    password = PasswordField(label=_("Password"), new=True)


class RolesForm(forms.Form):
    roles = forms.MultipleChoiceField(
        label=_("Roles"), choices=Role.choices, required=False, widget=forms.CheckboxSelectMultiple
    )


class JoinForm(forms.Form):
    """A further member for somebody who is known already."""

    def __init__(self, *args: Any, viewer: Viewer, person: Person, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        members = members_acted_for_by(viewer).exclude(persons=person)
        self.fields["member"] = NamedField(members, named=MEMBERS, label=_("Member"), empty_label=None)
