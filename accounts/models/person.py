from typing import Any, ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        person = self.model(email=self.normalize_email(email).strip(), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> "Person":
        return self.get(email__iexact=(username or "").strip())


class Person(AbstractBaseUser, PermissionsMixin):
    """Somebody who signs in, by e-mail address."""

    email = models.EmailField("e-mail", max_length=254, unique=True)
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    time_zone = models.CharField(max_length=64, blank=True, help_text="Empty: the cooperative's zone.")
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False, help_text="May use the administration pages.")
    date_joined = models.DateTimeField(default=timezone.now)

    objects: ClassVar[PersonManager] = PersonManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["name"]

    class Meta:
        ordering = ["name", "pk"]
        verbose_name_plural = "people"
        constraints = [models.UniqueConstraint(Lower("email"), name="person_email_unique")]

    def __str__(self) -> str:
        return self.name or self.email
