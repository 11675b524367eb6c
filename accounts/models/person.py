import datetime as dt
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone


# Given by a function: a fixed time of day is taken for a slip by Django's own checks in its very minute.
def evening() -> dt.time:
    return dt.time(21, 0)


def morning() -> dt.time:
    return dt.time(7, 0)


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        person = self.model(email=self.normalize_email(email).strip(), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> "Person":
        """By e-mail address or user name; no user name has the sign of an address, so they never meet."""
        given = (username or "").strip()
        if not given:
            raise self.model.DoesNotExist
        return self.get(models.Q(email__iexact=given) | models.Q(user_name__iexact=given))


class Person(AbstractBaseUser, PermissionsMixin):
    """Somebody who signs in, by e-mail address or user name."""

    email = models.EmailField("e-mail", max_length=254, unique=True)
    user_name = models.CharField(
        max_length=40, blank=True, help_text="Shorter to type than the address when signing in; empty: none."
    )
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    time_zone = models.CharField(max_length=64, blank=True, help_text="Empty: the cooperative's zone.")
    language = models.CharField(
        max_length=10,
        blank=True,
        choices=settings.LANGUAGES,
        help_text="Empty: not chosen yet; the browser's, and in messages the cooperative's.",
    )
    quiet_from = models.TimeField(
        null=True,
        blank=True,
        default=evening,
        help_text="Local. Routine reminders wait from here on; empty: never.",
    )
    quiet_until = models.TimeField(null=True, blank=True, default=morning, help_text="Local. And are sent then.")
    summary_at = models.TimeField(
        null=True, blank=True, help_text="Local. Routine reminders come in one mail a day at this time; empty: singly."
    )
    reminders_paused_until = models.DateTimeField(
        null=True, blank=True, help_text="Nothing leaves the app for this person until then; others are told instead."
    )
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False, help_text="May use the administration pages.")
    date_joined = models.DateTimeField(default=timezone.now)
    second_step_asked_at = models.DateTimeField(
        null=True, blank=True, help_text="When somebody who needs a second step at sign-in was first told so."
    )

    objects: ClassVar[PersonManager] = PersonManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["name"]

    class Meta:
        ordering = ["name", "pk"]
        verbose_name_plural = "people"
        constraints = [
            models.UniqueConstraint(Lower("email"), name="person_email_unique"),
            models.UniqueConstraint(
                Lower("user_name"), name="person_user_name_unique", condition=~models.Q(user_name="")
            ),
            models.CheckConstraint(condition=~models.Q(user_name__contains="@"), name="person_user_name_is_no_address"),
        ]

    def __str__(self) -> str:
        return self.name or self.email
