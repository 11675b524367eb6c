"""The words that stand in the database as people wrote them: shown as they are in every language."""

from zoneinfo import available_timezones

from django.apps import apps
from django.db import models

from accounts.told import Told
from scheduling.planning.facts import sources
from tests.words.pseudo import WORD

NAMES = {
    "name",
    "label",
    "email",
    "place",
    "note",
    "phone",
    "reason",
    "subject",
    "tip",
    "origin",
    "why",
    "checks",
    "notes",
    "text",
}
NAMES |= {"registration_number", "hold_reason", "health_certificate", "state_reason", "gone_reason", "closed_reason"}
#: Own names, units and signs that are the same in every language that we speak.
EVERYWHERE = (
    "Broodtide English Deutsch Français Español CO µl ml kg mm cm km UTC API CSV XLSX PDF QR SMS URL JSON OpenAPI DE"
)

PUBLICATIONS = [text for name, text in vars(sources).items() if name.isupper() and isinstance(text, str)]


def words_of_data() -> set[str]:
    found = set(WORD.findall(" ".join([EVERYWHERE, *available_timezones(), *PUBLICATIONS])))
    for model in apps.get_models():
        if model._meta.app_label not in {"accounts", "breeding", "scheduling"}:
            continue
        for field in model._meta.concrete_fields:
            if field.name in NAMES and isinstance(field, models.CharField | models.TextField | models.JSONField):
                for text in model._base_manager.values_list(field.name, flat=True):
                    found.update(WORD.findall("" if isinstance(text, Told) else str(text or "")))
    return {word.lower() for word in found}
