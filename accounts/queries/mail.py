"""Mails that were kept here instead of being sent."""

from django.db.models import QuerySet
from django.db.models.functions import Lower

from accounts.access import Viewer, can_read_all_mail
from accounts.models import KeptMail
from accounts.queries.people import people_of


def mails_seen_by(viewer: Viewer) -> QuerySet[KeptMail]:
    """Those to one's own address; in a practice cooperative its coordinator sees those to all of its people."""
    addresses = {viewer.person.email.lower()}
    if can_read_all_mail(viewer):
        addresses |= {email.lower() for email in people_of(viewer.cooperative).values_list("email", flat=True)}
    return KeptMail.objects.alias(address=Lower("to")).filter(address__in=addresses)
