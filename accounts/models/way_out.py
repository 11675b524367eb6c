from django.conf import settings
from django.db import models

from accounts.models.cooperative import Cooperative


class PushDevice(models.Model):
    """A browser that takes messages for a person. Its address is a push service's and comes from the browser."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="push_devices")
    endpoint = models.CharField(max_length=1000, unique=True)
    p256dh = models.CharField(max_length=100, help_text="The browser's public key, base64url.")
    auth = models.CharField(max_length=40, help_text="The browser's shared secret, base64url.")
    name = models.CharField(max_length=80, help_text="How its owner tells it from others.")
    made_at = models.DateTimeField()
    last_sent_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True, help_text="Switched off, or gone.")

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["person", "ended_at"], name="push_device_of_person")]

    def __str__(self) -> str:
        return f"{self.person}: {self.name}"


class Gateway(models.Model):
    """A cooperative's own way to text messages: an address of its choice that is called for each message."""

    cooperative = models.OneToOneField(Cooperative, models.CASCADE, related_name="gateway")
    url = models.CharField(max_length=500)
    secret = models.CharField(max_length=64, help_text="Signs each call; shown when it is made.")
    made_at = models.DateTimeField()
    is_on = models.BooleanField(default=True)
    last_good_at = models.DateTimeField(null=True, blank=True)
    last_problem = models.CharField(max_length=300, blank=True)
    last_problem_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["cooperative"]

    def __str__(self) -> str:
        return f"{self.cooperative}: {self.url}"
