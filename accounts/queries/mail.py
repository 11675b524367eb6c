"""Mails that were kept here instead of being sent."""

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.db.models.functions import Lower

from accounts.access import Viewer, can_read_all_mail
from accounts.models import KeptMail, MemberPerson, Person, RoleGrant


def mails_seen_by(viewer: Viewer) -> QuerySet[KeptMail]:
    """Those to one's own address; in a practice cooperative its coordinator sees those to all of its people.

    Whose a mail is is looked up by the mail: there are fewer of them than people in a large cooperative.
    """
    mails = KeptMail.objects.alias(address=Lower("to"))
    own = Q(address=viewer.person.email.lower())
    if not can_read_all_mail(viewer):
        return mails.filter(own)
    grants = RoleGrant.objects.filter(cooperative=viewer.cooperative, person=OuterRef("pk"))
    members = MemberPerson.objects.filter(member__cooperative=viewer.cooperative, person=OuterRef("pk"))
    people = Person.objects.alias(known_as=Lower("email")).filter(known_as=OuterRef("address"))
    return mails.filter(own | Exists(people.filter(Exists(grants) | Exists(members))))
