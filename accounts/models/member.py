from django.conf import settings
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone

from accounts.models.cooperative import Cooperative


class Member(models.Model):
    """An apiary business of the cooperative, with one or more persons who act for it."""

    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="members")
    name = models.CharField(max_length=120)
    persons = models.ManyToManyField(settings.AUTH_USER_MODEL, through="MemberPerson", related_name="members")
    deputy = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="deputy_for",
        help_text="Is told when nobody of the member answers.",
    )
    left_on = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("cooperative", Lower("name"), name="member_name_unique")]

    def __str__(self) -> str:
        return self.name


class MemberPerson(models.Model):
    member = models.ForeignKey(Member, models.CASCADE, related_name="member_persons")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="member_persons")
    since = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["member", "person"], name="member_person_once")]

    def __str__(self) -> str:
        return f"{self.person} / {self.member}"


class Apiary(models.Model):
    """A place where colonies of one member stand."""

    member = models.ForeignKey(Member, models.CASCADE, related_name="apiaries")
    name = models.CharField(max_length=80)
    place = models.CharField(max_length=120, blank=True, help_text="How to find it; shown to the coordinator.")
    registration_number = models.CharField(
        max_length=60, blank=True, help_text="As given by your veterinary authority, if it gives one."
    )
    time_zone = models.CharField(max_length=64, blank=True, help_text="Empty: the cooperative's zone.")
    closed_on = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "apiaries"
        constraints = [models.UniqueConstraint("member", Lower("name"), name="apiary_name_unique")]

    def __str__(self) -> str:
        return self.name
