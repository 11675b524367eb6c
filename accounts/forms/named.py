"""One of many things: a list while there are few, its name, or part of it, where nobody would scroll to it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Model, QuerySet
from django.db.models.expressions import Combinable
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.access import Viewer
from accounts.queries.people import members_acted_for_by, people_of
from accounts.queries.search import best_first

FEW = 50  # a list that long is still scrolled on a phone
MANY = 2_000
LONGEST = 200
CHOSEN = re.compile(r"^#(\d{1,18})$")  # the key of a thing that was chosen, where a name could be written as well


@dataclass(frozen=True)
class Named:
    """A kind of thing that is named in forms: which ones a viewer may name, and what is written on them.

    `written` in the database and `words` here are the same text.
    """

    kind: str
    things: Callable[[Viewer], QuerySet[Any]]
    written: str | Combinable
    words: Callable[[Any], str] = str

    def called(self, things: QuerySet[Any], words: str, *, most: int) -> list[Any]:
        """Those with these words in their name, the very same name first; one more than `most` where there are more."""
        return list(best_first(things, words, self.written, most=most))


MEMBERS = Named("member", members_acted_for_by, "name")
PEOPLE = Named("person", lambda viewer: people_of(viewer.cooperative), "name", lambda person: str(person.name))

if TYPE_CHECKING:
    ModelField = forms.ModelChoiceField[Model]
else:
    ModelField = forms.ModelChoiceField


class NameInput(forms.TextInput):
    """A name is written; names that fit are offered while somebody writes (`static/js/named.js`)."""

    def __init__(self, kind: str) -> None:
        super().__init__({"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false", "maxlength": LONGEST})
        self.kind = kind

    def render(self, name: str, value: Any, attrs: dict[str, Any] | None = None, renderer: Any = None) -> Any:
        names = f"{(attrs or {}).get('id') or name}-names"
        asked = reverse("scheduling:names", args=[self.kind])
        shown = super().render(name, value, {**(attrs or {}), "list": names, "data-named": asked}, renderer)
        return format_html('{}<datalist id="{}"></datalist>', shown, names)


class NamedField(ModelField):
    """Give a thing of `queryset`, found by its name where there are more than FEW.

    What several things are called in part is answered with a list of those, what none is called by saying so.
    `among` : where it takes long to find the few: of more than MANY of these, names are asked for, be they few or not.
    """

    def __init__(
        self, queryset: QuerySet[Any] | None, *, named: Named, among: QuerySet[Any] | None = None, **kwargs: Any
    ) -> None:
        self.named = named
        self.are_many = among is not None and len(among.order_by().values_list("pk")[: MANY + 1]) > MANY
        self.is_long = False
        super().__init__(queryset, **kwargs)

    def _get_things(self) -> Any:
        return self._queryset

    def _set_things(self, queryset: QuerySet[Any] | None) -> None:
        few: tuple[int, ...] = ()
        if queryset is not None and not self.are_many:
            few = tuple(queryset.order_by().values_list("pk", flat=True)[: FEW + 1])
        self.is_long = self.are_many or len(few) > FEW
        self._queryset = queryset
        if not self.is_long:
            if queryset is not None:  # found once: what it takes to find them is not asked again
                self._queryset = queryset.filter(pk__in=few)
            self.widget.choices = self.choices
            return
        self.widget = NameInput(self.named.kind)
        self.widget.is_required = self.required
        if not self.help_text:
            self.help_text = gettext_lazy("Write the name, or part of it.")

    queryset = property(_get_things, _set_things)

    def prepare_value(self, value: Any) -> Any:
        """In a field of names the name, also of a key; as it was written otherwise."""
        if not self.is_long or isinstance(self.widget, forms.Select):
            return super().prepare_value(value)
        if isinstance(value, str):
            chosen = CHOSEN.match(value)
            if chosen is None:
                return value
            value = int(chosen[1])
        thing = value if isinstance(value, Model) or value is None else self.queryset.filter(pk=value).first()
        return "" if thing is None else self.named.words(thing)

    def clean(self, value: Any) -> Any:
        if not self.is_long:
            return super().clean(value)
        words = " ".join(str(value or "").split())[:LONGEST]
        if not words:
            if self.required:
                raise ValidationError(self.error_messages["required"], code="required")
            return None
        chosen = CHOSEN.match(words)
        thing = self.queryset.filter(pk=chosen[1]).first() if chosen else None
        return thing if thing is not None else self._called(words)

    def _called(self, words: str) -> Any:
        found = self.named.called(self.queryset, words, most=FEW)
        same = [thing for thing in found if self.named.words(thing).casefold() == words.casefold()]
        if len(same) == 1 or len(found) == 1:
            return (same or found)[0]
        if not found:
            raise ValidationError(
                _("Nothing here is called “%(words)s”. Check the name, or write less of it."), params={"words": words}
            )
        if len(found) > FEW:
            text = _("More than %(number)s fit “%(words)s”. Write more of the name.")
            raise ValidationError(text, params={"number": FEW, "words": words})
        choices = [(f"#{thing.pk}", self.named.words(thing)) for thing in found]
        self.widget = forms.Select(choices=[("", _("None of these: write another name")), *choices])
        self.widget.is_required = self.required
        text = _("%(number)s fit “%(words)s”. Choose one of them.")
        raise ValidationError(text, params={"number": len(found), "words": words})
