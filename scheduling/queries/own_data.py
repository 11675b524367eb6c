"""Everything of one person and of the members it acts for, table by table, as they stand in the database.

Each table is what the viewer sees anyway, narrowed to what is the viewer's own: a coordinator sees everybody's
requests and takes along only those of the own members. Other people stand in it as numbers, things of others that
one's own point to (a mother, a drone source, a day) also by their name. Nothing that opens a door is in it.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass

from allauth.mfa.models import Authenticator
from django.db.models import Field, ForeignKey, Model, Q, QuerySet

from accounts.access import Viewer
from accounts.models import (
    Apiary,
    ApiToken,
    AuditEntry,
    GuestLink,
    KeptMail,
    Member,
    MemberPerson,
    NotificationWish,
    OpenSession,
    Person,
    PushDevice,
    ReminderLead,
    RoleGrant,
    SavedView,
)
from accounts.queries.dump import plain_value
from accounts.queries.people import apiaries_seen_by, members_seen_by
from accounts.tables import Cell, Table
from breeding.models import Colony, Heading, Line, Mating, MatingShare, Merit, Queen, Trait, TraitValue
from breeding.queries.ranking import latest_run
from breeding.queries.stock import colonies_seen_by, queens_seen_by, scores_seen_by
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchPlace,
    BookingSource,
    Co2Treatment,
    Delivery,
    Dose,
    DroneCount,
    DroneSource,
    Placement,
    QueenBatch,
    QueenCheck,
    Season,
    SemenLot,
)
from scheduling.queries.batches import batches_seen_by
from scheduling.queries.bookings import bookings_seen_by, offers_seen_by
from scheduling.queries.feeds import feeds_of
from scheduling.queries.hive_log import hive_entries_of
from scheduling.queries.plans import plans_seen_by
from scheduling.queries.reminders import reminders_seen_by
from scheduling.queries.sources import cohorts_seen_by, sources_seen_by

#: What opens a door, or says something of the machine alone.
NEVER = {
    "password", "is_superuser", "is_staff", "token_hash", "session_key", "p256dh", "auth", "endpoint", "data",
    "fingerprint", "message_id", "claim", "lease_until",
}  # fmt: skip
#: In the history of what one did: the values may be somebody else's.
OF_OTHERS = {"subject_name", "before", "after", "note", "by_name"}
#: What things that one's own point to are called.
NAME_OF: dict[type[Model], str] = {
    Queen: "label", Line: "name", Trait: "key", Colony: "name", Apiary: "name", Member: "name", Season: "year",
    QueenBatch: "name", DroneSource: "name", Bench: "name", SemenLot: "label",
}  # fmt: skip


@dataclass(frozen=True)
class OwnTable:
    """Rows of one table of the database; `name` is what its files are called."""

    name: str
    rows: "QuerySet[Model]"
    left_out: frozenset[str] = frozenset()

    @property
    def subject_type(self) -> str:
        return self.rows.model._meta.label_lower

    def table(self) -> Table:
        found = list(self._columns())
        rows = self.rows.order_by("pk").values_list(*(path for _, path in found))
        return Table(self.name, [name for name, _ in found], ([_cell(v) for v in row] for row in rows.iterator()))

    def _columns(self) -> Iterator[tuple[str, str]]:
        """Name of each column, and the path of what stands in it."""
        for field in self.rows.model._meta.concrete_fields:
            if field.name in NEVER or field.name in self.left_out:
                continue
            yield field.attname, field.attname
            name = _name_of_other(field)
            if name:
                yield f"{field.name}_{name}", f"{field.name}__{name}"


def own_tables(viewer: Viewer) -> list[OwnTable]:
    """What is the viewer's own in this cooperative; tables without a row too."""
    return [*_of_person(viewer), *_of_stock(viewer), *_of_season(viewer)]


def _of_person(viewer: Viewer) -> list[OwnTable]:
    person, home = viewer.person, viewer.cooperative
    acts = AuditEntry.objects.filter(by=person, cooperative=home)
    return [
        OwnTable("person", Person.objects.filter(pk=person.pk)),
        OwnTable("roles", RoleGrant.objects.filter(person=person, cooperative=home)),
        OwnTable("members", members_seen_by(viewer).filter(pk__in=viewer.member_ids)),
        OwnTable("acting-for", MemberPerson.objects.filter(person=person, member__in=viewer.member_ids)),
        OwnTable("second-step", Authenticator.objects.filter(user=person)),
        OwnTable("signed-in", OpenSession.objects.filter(person=person)),
        OwnTable("devices", PushDevice.objects.filter(person=person)),
        OwnTable("programs", ApiToken.objects.filter(person=person, cooperative=home)),
        OwnTable("calendars", feeds_of(viewer).select_related(None)),
        OwnTable("links-for-guests", GuestLink.objects.filter(made_by=person, cooperative=home)),
        OwnTable("saved-views", SavedView.objects.filter(person=person, cooperative=home)),
        OwnTable("wishes", NotificationWish.objects.filter(person=person)),
        OwnTable("lead-times", ReminderLead.objects.filter(person=person)),
        OwnTable("reminders", reminders_seen_by(viewer)),
        OwnTable("deliveries", Delivery.objects.filter(person=person, reminder__cooperative=home)),
        OwnTable("mail", KeptMail.objects.filter(to__iexact=person.email)),
        OwnTable("entries-of-phones", hive_entries_of(viewer)),
        OwnTable("what-you-did", acts, frozenset(OF_OTHERS)),
    ]


def _of_stock(viewer: Viewer) -> list[OwnTable]:
    own = viewer.member_ids
    queens = queens_seen_by(viewer).filter(owner__in=own)
    colonies = colonies_seen_by(viewer).filter(apiary__member__in=own)
    matings = Mating.objects.filter(queen__in=queens)
    run = latest_run(viewer.cooperative)
    return [
        OwnTable("apiaries", apiaries_seen_by(viewer).filter(member__in=own).select_related(None)),
        OwnTable("queens", queens),
        OwnTable("matings", matings),
        OwnTable("mating-shares", MatingShare.objects.filter(mating__in=matings)),
        OwnTable("colonies", colonies),
        OwnTable("queens-of-colonies", Heading.objects.filter(colony__in=colonies)),
        OwnTable("scores", scores_seen_by(viewer).filter(colony__in=colonies)),
        OwnTable("merit", Merit.objects.filter(run=run, queen__in=queens)),
        OwnTable("breeding-values", TraitValue.objects.filter(run=run, queen__in=queens)),
    ]


def _of_season(viewer: Viewer) -> list[OwnTable]:
    own = viewer.member_ids
    batches = batches_seen_by(viewer).filter(member__in=own)
    virgins = BatchQueen.objects.filter(batch__in=batches)
    bookings = bookings_seen_by(viewer).filter(member__in=own)
    sources = sources_seen_by(viewer).filter(member__in=own)
    cohorts = cohorts_seen_by(viewer).filter(source__in=sources)
    planned = Placement.objects.filter(booking__in=bookings, plan__in=plans_seen_by(viewer).exclude(number=None))
    places = BenchPlace.objects.filter(Q(booking__in=bookings) | Q(batch_queen__in=virgins))
    return [
        OwnTable("batches", batches),
        OwnTable("batch-queens", virgins),
        OwnTable("drone-sources", sources),
        OwnTable("drone-combs", cohorts),
        OwnTable("drone-counts", DroneCount.objects.filter(cohort__in=cohorts)),
        OwnTable("requests", bookings),
        OwnTable("requests-sources", BookingSource.objects.filter(booking__in=bookings)),
        OwnTable("offers", offers_seen_by(viewer).filter(booking__in=bookings)),
        OwnTable("planned", planned),
        OwnTable("places", places),
        OwnTable("doses", Dose.objects.filter(batch_queen__in=virgins)),
        OwnTable("co2", Co2Treatment.objects.filter(batch_queen__in=virgins)),
        OwnTable("looks", QueenCheck.objects.filter(batch_queen__in=virgins)),
    ]


def _name_of_other(field: "Field[object, object]") -> str:
    if not isinstance(field, ForeignKey) or not isinstance(field.related_model, type):
        return ""
    return NAME_OF.get(field.related_model, "")


def _cell(value: object) -> Cell:
    """Lists and words with places as the dump writes them; what has a type of its own in a table file stays."""
    plain = plain_value(value)
    if isinstance(plain, dict | list):
        return json.dumps(plain, ensure_ascii=False, sort_keys=True)
    return plain  # type: ignore[no-any-return]
