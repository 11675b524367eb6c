from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from accounts.catalogues import catalogue_update, catalogues_compile, collected, languages, untranslated


class Command(BaseCommand):
    help = "Bring the catalogues under locale/ up to date with the source, and compile them."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--compile", action="store_true", help="Only compile what has changed.")

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["compile"]:
            template = collected()
            for code in languages():
                catalog = catalogue_update(code, template)
                missing = untranslated(catalog)
                name = dict(settings.LANGUAGES)[code]
                self.stdout.write(f"{name}: {len(catalog)} messages, {len(missing)} without a translation.")
        for code in catalogues_compile():
            self.stdout.write(f"{dict(settings.LANGUAGES)[code]} compiled.")
