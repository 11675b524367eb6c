"""The last step of restoring a backup: nothing that was due before goes out again by itself."""

from typing import Any

from django.core.management.base import BaseCommand

from scheduling.services.delivery import database_now
from scheduling.services.fence import reminders_hold


class Command(BaseCommand):
    help = (
        "Run once after a backup was restored, before the sweep starts: reminders due until now wait on the "
        "coordinator's page until somebody releases them; later ones go out as ever."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        now = database_now()
        held = reminders_hold(fence=now, now=now)
        if held:
            self.stdout.write(f"{held} reminders wait for a coordinator: Reminders of the cooperative, Held back.")
        else:
            self.stdout.write("No reminder was due before now: nothing is held back.")
