"""Removing the practice cooperative with everything of it, so that the real one can begin."""

import datetime as dt

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import Apiary, Cooperative, KeptMail, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import (
    Colony,
    CrossShare,
    EvaluationRun,
    Mating,
    PlannedCross,
    Queen,
    Score,
    SemenBatch,
    Trait,
)
from scheduling.models import (
    Bench,
    BenchEntry,
    BenchPlace,
    BenchSession,
    Booking,
    Dose,
    DroneSource,
    LotMovement,
    Plan,
    QueenBatch,
    Season,
    SemenLot,
    TipChange,
)


def practice_remove(cooperative: Cooperative, *, by: Person | None, now: dt.datetime) -> None:
    """Delete a practice cooperative, its records, and its people who belong nowhere else. Never a real one.

    One row of the history stays: that it was removed, when and by whom.
    """
    with transaction.atomic():
        cooperative = Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if not cooperative.is_practice:
            raise Refusal(
                _("%(cooperative)s is a real cooperative. Only the practice one can be removed.")
                % {"cooperative": cooperative},
                rule="not_practice",
            )
        audit_record(cooperative, action="practice.remove", by=by, now=now, cooperative=None)
        people = _only_here(cooperative)
        _remove_season(cooperative)
        _remove_stock(cooperative)
        Apiary.objects.filter(member__cooperative=cooperative).delete()
        Member.objects.filter(cooperative=cooperative).delete()
        cooperative.delete()
        KeptMail.objects.filter(to__in=[person.email for person in people]).delete()
        Person.objects.filter(pk__in=[person.pk for person in people]).delete()


def _only_here(cooperative: Cooperative) -> list[Person]:
    here = Q(role_grants__cooperative=cooperative) | Q(members__cooperative=cooperative)
    elsewhere = Person.objects.exclude(role_grants=None, members=None).filter(
        (Q(role_grants__isnull=False) & ~Q(role_grants__cooperative=cooperative))
        | (Q(members__isnull=False) & ~Q(members__cooperative=cooperative))
    )
    people = Person.objects.filter(here).exclude(pk__in=elsewhere.values("pk"))
    return list(people.exclude(Q(is_staff=True) | Q(is_superuser=True)).distinct())


def _remove_season(cooperative: Cooperative) -> None:
    """What hangs on other things first: records of the bench, places, plans, requests, then what they speak of."""
    season = {"season__cooperative": cooperative}
    BenchEntry.objects.filter(session__season__cooperative=cooperative).delete()
    TipChange.objects.filter(session__season__cooperative=cooperative).delete()
    Dose.objects.filter(session__season__cooperative=cooperative).delete()
    LotMovement.objects.filter(lot__session__season__cooperative=cooperative).delete()
    SemenLot.objects.filter(session__season__cooperative=cooperative).delete()
    BenchPlace.objects.filter(session__season__cooperative=cooperative).delete()
    Plan.objects.filter(**season).delete()
    Booking.objects.filter(**season).delete()
    QueenBatch.objects.filter(**season).delete()
    BenchSession.objects.filter(**season).update(current_tip_source=None)
    DroneSource.objects.filter(**season).delete()
    BenchSession.objects.filter(**season).delete()
    Bench.objects.filter(cooperative=cooperative).delete()
    Season.objects.filter(cooperative=cooperative).delete()


def _remove_stock(cooperative: Cooperative) -> None:
    EvaluationRun.objects.filter(cooperative=cooperative).delete()
    Score.objects.filter(colony__apiary__member__cooperative=cooperative).delete()
    Colony.objects.filter(apiary__member__cooperative=cooperative).delete()
    CrossShare.objects.filter(cross__cooperative=cooperative).delete()
    PlannedCross.objects.filter(cooperative=cooperative).delete()
    # A complete mating keeps its parts: it is opened before they go.
    Mating.objects.filter(queen__cooperative=cooperative).update(is_complete=False)
    Mating.objects.filter(queen__cooperative=cooperative).delete()
    SemenBatch.objects.filter(cooperative=cooperative).update(is_complete=False)
    SemenBatch.objects.filter(cooperative=cooperative).delete()
    Queen.objects.filter(cooperative=cooperative).update(mother=None)
    Queen.objects.filter(cooperative=cooperative).delete()
    Trait.objects.filter(cooperative=cooperative).delete()
