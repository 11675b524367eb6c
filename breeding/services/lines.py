"""Breeding lines."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import Line


def line_add(cooperative: Cooperative, *, name: str, by: Person | None, now: dt.datetime) -> Line:
    """The line of this name; made when there is none yet, so that asking twice changes nothing."""
    name = name.strip()
    if not name:
        raise Refusal(_("Give the line a name."), field="name", rule="name_missing")
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        line = Line.objects.filter(cooperative=cooperative, name__iexact=name).first()
        if line is None:
            line = Line.objects.create(cooperative=cooperative, name=name)
            audit_record(line, action="line.add", by=by, now=now, cooperative=cooperative, after={"name": name})
    return line


def line_rename(line: Line, *, name: str, by: Person | None, now: dt.datetime) -> Line:
    name = name.strip()
    if not name:
        raise Refusal(_("Give the line a name."), field="name", rule="name_missing")
    if Line.objects.filter(cooperative=line.cooperative, name__iexact=name).exclude(pk=line.pk).exists():
        raise Refusal(_("There is a line %(name)s already.") % {"name": name}, field="name", rule="name_taken")
    before = line.name
    if before == name:
        return line
    with transaction.atomic():
        line.name = name
        line.save(update_fields=["name"])
        audit_record(
            line,
            action="line.rename",
            by=by,
            now=now,
            cooperative=line.cooperative,
            before={"name": before},
            after={"name": name},
        )
    return line
