from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.models import BenchPlace, BenchSession
from scheduling.queries.what_now import WhatNow

QUEUE = "queue"
STAY = ""


class DronesLeftForm(forms.Form):
    """How many drones of each source are still in their cage."""

    def __init__(self, *args: Any, found: WhatNow, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for row in found.sources:
            if row.source is not None:
                self.fields[f"left{row.source.pk}"] = forms.IntegerField(
                    label=_("Drones of %(source)s still to try") % {"source": row.source},
                    min_value=0,
                    max_value=2000,
                    required=False,
                    initial=row.now.drones_left,
                )

    def drones_left(self) -> dict[int, int]:
        given = getattr(self, "cleaned_data", {})
        return {int(name[4:]): value for name, value in given.items() if name.startswith("left") and value is not None}


class MovesForm(forms.Form):
    """Where each queen who waits goes: stays, a coming bench day, or the queue."""

    reason = forms.CharField(label=_("Why?"), max_length=160)

    def __init__(self, *args: Any, found: WhatNow, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.found = found
        self.fields["reason"].initial = _("The drones ran out")
        for row in found.queens:
            choices: list[tuple[str, Any]] = [(STAY, _("stays on today’s order"))]
            choices += [(str(session.pk), str(session)) for session in row.next_sessions]
            choices.append((QUEUE, _("back into the queue")))
            wanted = (str(row.next_sessions[0].pk) if row.next_sessions else QUEUE) if row.moves else STAY
            self.fields[f"place{row.place.pk}"] = forms.ChoiceField(
                label=str(row.row.batch_queen), choices=choices, required=False, initial=wanted
            )

    def rows(self) -> list[tuple[Any, Any]]:
        return [(row, self[f"place{row.place.pk}"]) for row in self.found.queens]

    def moves(self) -> dict[BenchPlace, BenchSession | None]:
        chosen: dict[BenchPlace, BenchSession | None] = {}
        for row in self.found.queens:
            value = self.cleaned_data.get(f"place{row.place.pk}", STAY)
            if value == QUEUE:
                chosen[row.place] = None
            elif value != STAY:
                chosen[row.place] = next(one for one in row.next_sessions if str(one.pk) == value)
        return chosen
