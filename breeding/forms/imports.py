"""Bringing in tables: the file, and which of its columns is what."""

from collections.abc import Iterator
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer, can_import_for_all
from accounts.forms.named import MEMBERS, NamedField
from accounts.models import Member
from accounts.sheets.reading import Sheet
from breeding.models import TableImport
from breeding.services.imports.kinds import Kind

DAY_ORDERS = [
    ("", _("As my language writes them")),
    ("dmy", _("Day, month, year: 9/6/2026 is 9 June")),
    ("mdy", _("Month, day, year: 9/6/2026 is 6 September")),
]
SAMPLE_LETTERS = 30


class UploadForm(forms.Form):
    file = forms.FileField(
        label=_("File"),
        max_length=200,
        help_text=_("CSV or XLSX, at most 5 MB and 50,000 rows, the names of the columns in its first line."),
        widget=forms.FileInput(attrs={"accept": ".csv,.xlsx,.txt"}),
        error_messages={
            "required": _("Choose a file."),
            "empty": _("The file is empty."),
            "max_length": _("The name of the file is too long. Give it a shorter one."),
        },
    )

    def __init__(self, *args: Any, too_big: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if too_big:
            self.fields["file"].error_messages["required"] = _("The file is larger than 5 MB. Split it into several.")

    def content(self) -> bytes:
        return bytes(self.cleaned_data["file"].read())


def members_for_import(viewer: Viewer) -> Any:
    members = Member.objects.filter(cooperative=viewer.cooperative, left_on__isnull=True)
    return members if can_import_for_all(viewer) else members.filter(pk__in=viewer.member_ids)


class MatchForm(forms.Form):
    """For each field of the kind the column that holds it, as recognised or as chosen."""

    def __init__(
        self, *args: Any, kind: Kind, sheet: Sheet, imported: TableImport, viewer: Viewer, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.kind, self.n_columns = kind, max(len(sheet.head), *(len(cells) for _number, cells in sheet.lines[:50]))
        choices = [("", _("Not in this file")), *self._columns(sheet)]
        for column in kind.columns:
            self.fields[column.key] = forms.ChoiceField(
                label=str(column.label),
                choices=choices,
                required=column.required and column.key != kind.member,
                initial=imported.matched.get(column.key, ""),
                help_text=str(column.help),
                error_messages={"required": _("Say which column it is.")},
            )
        if kind.member:
            members = members_for_import(viewer)
            self.fields["for_member"] = NamedField(
                members,
                named=MEMBERS,
                label=_("Member of rows that name none"),
                required=False,
                empty_label=_("Every row names its member"),
                initial=imported.member_id or (one[0] if len(one := members[:2]) == 1 else None),
            )
        self.fields["day_order"] = forms.ChoiceField(
            label=_("How days are written"),
            choices=DAY_ORDERS,
            required=False,
            initial=imported.day_order,
            help_text=_("2026-06-09 and 9.6.2026 are always understood."),
        )

    @staticmethod
    def _columns(sheet: Sheet) -> Iterator[tuple[str, str]]:
        first = sheet.lines[0][1] if sheet.lines else []
        for number, name in enumerate(sheet.head):
            sample = first[number][:SAMPLE_LETTERS] if number < len(first) else ""
            shown = name or str(_("Column %(number)s")) % {"number": number + 1}
            yield str(number), f"{shown[:60]} ({sample})" if sample else shown[:60]

    def matched(self) -> dict[str, int]:
        return {
            column.key: int(self.cleaned_data[column.key])
            for column in self.kind.columns
            if self.cleaned_data.get(column.key)
        }
