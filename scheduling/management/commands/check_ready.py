"""The question of /healthz/ready, asked from a shell: for health checks and for whoever watches the machine."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from scheduling.queries.health import health_problems


class Command(BaseCommand):
    help = "Say whether database, migrations and minute sweep are in order; exit code 1 when not."
    requires_system_checks = ()

    def handle(self, *args: Any, **options: Any) -> None:
        problems = health_problems(now=timezone.now())
        if problems:
            raise CommandError("\n".join(problems))
        self.stdout.write("ready")
