"""Links to a card that were not ended, those that ran out among them."""

from django.db.models import Model, QuerySet

from accounts.models import GuestLink


def guest_links_of(thing: Model) -> QuerySet[GuestLink]:
    return GuestLink.objects.filter(subject_type=thing._meta.label_lower, subject_id=thing.pk, ended_at=None)
