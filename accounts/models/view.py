from django.conf import settings
from django.db import models
from django.db.models.functions import Lower

from accounts.models.cooperative import Cooperative


class SavedView(models.Model):
    """A choice of filters that a person gave a name: the address it stands for. Nobody else sees it."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="saved_views")
    cooperative = models.ForeignKey(Cooperative, models.CASCADE, related_name="+")
    page = models.CharField(max_length=30, help_text="Key of the page, as in `accounts.saved_views`.")
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=500, blank=True, help_text="What stands behind the ? of the address.")
    made_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.UniqueConstraint(
                "person",
                "cooperative",
                "page",
                Lower("name"),
                condition=models.Q(removed_at__isnull=True),
                name="saved_view_name_unique",
            ),
        ]

    def __str__(self) -> str:
        return self.name
