from django.conf import settings
from django.db import models
from django.utils import timezone
from django.utils.translation import gettext_lazy as _


class Cooperative(models.Model):
    """The breeding community: everything belongs to exactly one."""

    name = models.CharField(max_length=120, unique=True)
    time_zone = models.CharField(max_length=64, default="Europe/Berlin")
    language = models.CharField(
        max_length=10,
        default=settings.LANGUAGE_CODE,
        choices=settings.LANGUAGES,
        help_text="Of messages to people who have not chosen theirs.",
    )
    is_practice = models.BooleanField(default=False, help_text="Made-up data that can be removed in one go.")
    deputy_after_min = models.PositiveSmallIntegerField(
        default=15, help_text="Critical moment not acknowledged: the deputy is told after this long. Minutes."
    )
    coordinator_after_min = models.PositiveSmallIntegerField(
        default=45, help_text="And the coordinators after this long. Minutes."
    )
    deputy_after_day_min = models.PositiveSmallIntegerField(
        default=360, help_text="The same for what has the whole day, counted from the morning. Minutes."
    )
    coordinator_after_day_min = models.PositiveSmallIntegerField(default=540, help_text="Minutes.")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(
                    deputy_after_min__gte=5,
                    deputy_after_min__lt=models.F("coordinator_after_min"),
                    coordinator_after_min__lte=240,
                    deputy_after_day_min__gte=60,
                    deputy_after_day_min__lt=models.F("coordinator_after_day_min"),
                    coordinator_after_day_min__lte=840,
                ),
                name="cooperative_passes_on_in_order",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """What somebody does for the cooperative. Members need no grant: they belong to a member business."""

    COORDINATOR = "coordinator", _("Coordinator")
    BREEDER = "breeder", _("Breeder")
    OPERATOR = "operator", _("Bench operator")


class RoleGrant(models.Model):
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="role_grants")
    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="role_grants")
    role = models.CharField(max_length=16, choices=Role.choices)
    granted_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["role", "person"]
        constraints = [
            models.UniqueConstraint(fields=["person", "cooperative", "role"], name="role_grant_once"),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="role_grant_known_role"),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.get_role_display()}"
