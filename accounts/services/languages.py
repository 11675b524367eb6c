"""The cooperative's own language."""

import datetime as dt

from django.db import transaction

from accounts.models import Cooperative, Person
from accounts.services.audit import audit_record
from accounts.services.checks import checked_language


def cooperative_language_set(cooperative: Cooperative, *, language: str, by: Person, now: dt.datetime) -> Cooperative:
    """In which messages go to people who have not chosen theirs. Saying the same again changes nothing."""
    language = checked_language(language)
    with transaction.atomic():
        row = Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if row.language == language:
            return row
        before, row.language = row.language, language
        row.save(update_fields=["language"])
        audit_record(
            row,
            action="cooperative.language",
            by=by,
            now=now,
            cooperative=row,
            before={"language": before},
            after={"language": language},
        )
    return row
