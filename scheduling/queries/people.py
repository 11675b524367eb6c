"""For whom a viewer may enter something in the season."""

from django.db.models import QuerySet

from accounts.access import Viewer
from accounts.models import Apiary, Member
from breeding.models import Queen, QueenStatus


def members_acted_for(viewer: Viewer) -> QuerySet[Member]:
    """The viewer's own members; all of the cooperative for the coordinator."""
    members = Member.objects.filter(cooperative=viewer.cooperative, left_on__isnull=True)
    return members if viewer.is_coordinator else members.filter(pk__in=viewer.member_ids)


def apiaries_acted_for(viewer: Viewer) -> QuerySet[Apiary]:
    return Apiary.objects.filter(member__in=members_acted_for(viewer), closed_on__isnull=True).select_related("member")


def mothers_for(viewer: Viewer) -> QuerySet[Queen]:
    """Queens one can graft from: mated and alive, of the whole cooperative."""
    return Queen.objects.filter(cooperative=viewer.cooperative, status=QueenStatus.MATED).select_related("owner")


def drone_queens_for(viewer: Viewer) -> QuerySet[Queen]:
    """Queens whose drones the viewer may offer: alive, of the members they act for."""
    return (
        Queen.objects.filter(cooperative=viewer.cooperative, owner__in=members_acted_for(viewer))
        .exclude(status=QueenStatus.GONE)
        .select_related("owner")
    )
