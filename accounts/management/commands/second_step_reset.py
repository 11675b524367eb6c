"""For whoever looks after the installation: takes the second step off somebody who has lost all of it."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.models import Person
from accounts.services.second_step import second_step_take_off


class Command(BaseCommand):
    help = "Take app, passkeys and recovery codes off a person who lost them; they are told by mail."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email", help="The address, or the user name, with which the person signs in.")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            person = Person.objects.get_by_natural_key(options["email"])
        except Person.DoesNotExist:
            raise CommandError(f"Nobody signs in as {options['email']}.") from None
        if second_step_take_off(person, cooperative=None, by=None, now=timezone.now()):
            self.stdout.write(f"{person.name} signs in with the password alone until a second step is set up again.")
        else:
            self.stdout.write(f"{person.name} has no second step. Nothing was changed.")
