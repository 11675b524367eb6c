"""Every page there is: the addresses come from the resolver, what they are about from a practice season.

A route whose argument is not known here fails the walk of every page: say in `_things` what it is about.
"""

import datetime as dt
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.contrib.auth.tokens import default_token_generator
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from accounts.access import viewer_of
from accounts.models import Job, KeptMail, Person, Webhook
from accounts.services.guest_links import guest_link_make
from accounts.services.invitations import invitation_make
from accounts.webhooks import secret_make
from breeding.models import Heading, Queen, Score
from breeding.services.crosses import cross_save
from breeding.services.imports.importing import import_match, import_upload
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    Delivery,
    Dose,
    DroneCohort,
    DroneSource,
    Offer,
    Placement,
    Plan,
    QueenBatch,
    Reminder,
    Season,
    SemenLot,
)
from scheduling.services.one_tap import Act, tap_token
from scheduling.services.plans import plan_sketch_from

NO_ROOMS = ("admin", "api")  # Django's own pages; answers for programs
CUT = "cut_"  # beginnings of addresses: they lead on
ROLES = ("member1", "coordinator", "breeder", "operator")
#: Answers that are no page of their own: files, feeds, data for scripts, fragments, links that lead on.
NO_PAGES = {
    *("accounts:sign_in_passkey", "accounts:sign_in_second_challenge", "accounts:passkey_challenge"),
    *("worker", "accounts:health_live", "scheduling:health_ready", "scheduling:metrics", "scheduling:feed"),
    *("breeding:standing_csv", "breeding:crosses_csv", "breeding:contributions_csv", "breeding:trend_csv"),
    *("accounts:members_csv", "accounts:history_csv", "scheduling:ledger_csv"),
    *("breeding:stock_csv", "scheduling:bookings_csv", "scheduling:requests_csv", "scheduling:season_csv"),
    *("breeding:evaluation_steps", "breeding:estimate_steps", "breeding:import_steps"),
    *("breeding:import_template", "breeding:import_problems"),
    "scheduling:founding",  # there only while no cooperative is
    *("scheduling:outcomes_csv", "scheduling:plan_run", "scheduling:what_if_run", "scheduling:service_levels_run"),
    *("scheduling:bench_data", "scheduling:bench_looks", "scheduling:bench_look", "scheduling:what_now"),
    "scheduling:names",
    *("scheduling:hive_data", "scheduling:hive_entries", "scheduling:hive_tries", "scheduling:hive_look"),
}
#: The same route with something else in it: a named step, a query, a thing in another state.
VARIANTS: dict[str, tuple[str, ...]] = {
    "api_reference": ("?about=queens",),
    "breeding:cross": ("?mother={mother}&source_1={father}",),
    "breeding:crosses": ("?mothers={mother}&sources={father}",),
    "breeding:standing": ("?q=no-such-queen",),
    "breeding:stock": ("?whose=all",),
    "scheduling:lines": ("?who=all",),
    "scheduling:book_drones": ("?batch={batch}&queens=2",),
    "scheduling:book_day": ("?batch={batch}&queens=2&source={source}&mode=each&dose=8",),
    "scheduling:plans_compare": ("?first={plan}&second={sketch}",),
}
ANONYMOUS = (
    "accounts:sign_in",
    "accounts:password_reset",
    "accounts:password_link_sent",
    "accounts:password_new",
    *("accounts:join", "breeding:guest_card"),
)


PAIRS = ("breeding:queen_merge", "breeding:queens_apart", "breeding:queens_apart_undo")


@dataclass(frozen=True)
class Route:
    name: str
    text: str
    arguments: tuple[str, ...]


def routes() -> list[Route]:
    """Every route of the site that somebody may see as a page."""
    return sorted(_routes(get_resolver().url_patterns, "", ""), key=lambda route: (route.name, route.text))


def _routes(patterns: list[Any], before: str, space: str) -> Iterator[Route]:
    for one in patterns:
        text = before + str(one.pattern)
        if isinstance(one, URLResolver):
            if one.app_name not in NO_ROOMS:
                yield from _routes(one.url_patterns, text, f"{one.namespace}:" if one.namespace else space)
        elif isinstance(one, URLPattern) and one.name and not one.name.startswith(CUT):  # the keeper's door has none
            yield Route(f"{space}{one.name}", text, tuple(one.pattern.converters))


class Pages:
    """Addresses in a practice season that is at its middle at `now`."""

    def __init__(self, now: dt.datetime) -> None:
        self.now = now
        self.season = Season.objects.filter(closed_at=None).latest("year")
        self.by = {who: Person.objects.get(email=f"{who}@example.org") for who in ROLES}
        self.member = self.by["member1"].members.get()
        self.words: dict[str, Any] = {}
        self.things = self._things()

    def addresses(self) -> dict[str, list[str]]:
        """By the name of the route: its addresses. A route that is not known raises KeyError with its text."""
        found: dict[str, list[str]] = {}
        for route in routes():
            if route.name in NO_PAGES:
                continue
            address = reverse(route.name, kwargs=self.arguments_of(route))
            queries = [query.format(**self.words) for query in VARIANTS.get(route.name, ())]
            found.setdefault(route.name, []).extend([address, *(address + query for query in queries)])
        return found

    def arguments_of(self, route: Route) -> dict[str, Any]:
        known = {**self.things, **self.things.get(route.name, {})}
        start = route.text.split("<")[0]
        values: dict[str, Any] = {}
        for name in route.arguments:
            key = start if name == "pk" and "pk" not in known else name
            if key not in known:
                raise KeyError(f"{route.name}: say in tests/browser/pages.py what “{route.text}” is about ({key})")
            values[name] = known[key]
        return values

    def _things(self) -> dict[str, Any]:
        """What each argument is about: by the text of the route before it, by its name, or by the route alone."""
        return {**self._people(), **self._stock(), **self._rearing(), **self._planning(), **self._bench()}

    def _people(self) -> dict[str, Any]:
        person = self.by["member1"]
        mail = KeptMail.objects.create(to=person.email, subject="For you", text="Come and see.", message_id="1")
        reminder = Reminder.objects.filter(member=self.member, state="wanted").earliest("pk")
        return {
            "members/": self.member.pk,
            "person_pk": person.pk,
            "persons/": person.pk,
            "persons/invitations/": 0,
            "accounts:join": {"token": self._invitation()},
            "apiaries/": self.member.apiaries.earliest("pk").pk,
            "settings/devices/": 0,
            "settings/programs/": 0,
            "settings/second-step/": 0,
            "settings/sessions/": 0,
            "views/": 0,
            "webhooks/": self._webhook(),
            "delivery_pk": 0,
            "mail/": mail.pk,
            "uidb64": urlsafe_base64_encode(force_bytes(person.pk)),
            "token": self._tap(reminder, Act.DONE),
            "scheduling:mail_stop": {"token": self._tap(reminder, Act.STOP)},
            "accounts:password_new": {"token": default_token_generator.make_token(person)},
            "reminders/": reminder.pk,
            "reminders/watch/resend/": reminder.pk,
            "reminders/watch/pause/": person.pk,
        }

    def _stock(self) -> dict[str, Any]:
        member, by = self.member, self.by["breeder"]
        mated = Queen.objects.filter(owner=member, mother__isnull=False, status="mated").earliest("-birth_year", "pk")
        father = DroneSource.objects.filter(season=self.season).earliest("pk").drone_queen
        cross = cross_save(
            member.cooperative, mother=mated, shares={father: 1}, season_year=self.season.year, by=by, now=self.now
        )
        heading = Heading.objects.filter(colony__apiary__member=member, until=None).earliest("pk")
        self.words |= {"mother": mated.label, "father": father.label}
        return {
            "subject_type": "breeding.queen",
            "subject_id": mated.pk,
            "stock/queens/": mated.pk,
            **{name: {"other_pk": mated.mother_id} for name in PAIRS},
            "stock/merges/": 0,
            "link_pk": 0,
            "breeding:guest_card": {"token": self._guest(mated)},
            "stock/colonies/": heading.colony_id,
            "stock/scores/": Score.objects.filter(colony__apiary__member=member).earliest("pk").pk,
            "stock/imports/": self._import(mated, by),
            "breeding:import_new": {"kind": "queens"},
            "evaluations/": self._job("evaluation").pk,
            "variances/jobs/": self._job("estimate").pk,
            "crosses/planned/": cross.pk,
        }

    def _import(self, mated: Queen, by: Person) -> int:
        """A table that has been looked at; what stands in it are names that stand in the stock too."""
        viewer = viewer_of(by, self.member.cooperative_id)
        assert viewer is not None
        content = f"{mated.label},{self.member.name}\n{mated.label}/2,{self.member.name}\n".encode()
        made = import_upload(viewer, kind="queens", file_name=f"{mated.label}.csv", content=content, now=self.now)
        matched = {"queen": 0, "owner": 1}
        return import_match(made, matched=matched, member=None, day_order="", viewer=viewer, now=self.now).pk

    def _rearing(self) -> dict[str, Any]:
        mine = QueenBatch.objects.filter(season=self.season, member=self.member)
        emerged = mine.filter(emerged_on__isnull=False).earliest("emerged_on")
        virgin = BatchQueen.objects.filter(batch=emerged).earliest("pk")
        cohort = DroneCohort.objects.filter(source__season=self.season, comb_in_on__isnull=False).earliest("pk")
        self.words |= {"batch": emerged.pk, "source": cohort.source_id}
        return {
            "season/": self.season.pk,
            "key": "virgin_age_last_days",
            "batches/": mine.filter(grafted_on__isnull=False).latest("grafted_on").pk,
            "step": "excluder",
            "batch-queens/": virgin.pk,
            "queens/": virgin.pk,
            "Q/": virgin.queen_id,
            "sources/": cohort.source_id,
            "trace/sources/": cohort.source_id,
            "cohorts/": cohort.pk,
            "scheduling:cohort_step": {"step": "capped_on", "pk": cohort.pk},
        }

    def _planning(self) -> dict[str, Any]:
        plan = Plan.objects.get(season=self.season, state="published")
        sketch = plan_sketch_from(plan, by=self.by["coordinator"], now=self.now)
        placement = Placement.objects.filter(plan=sketch, source__isnull=False).earliest("pk")
        booking = Booking.objects.filter(season=self.season, member=self.member).earliest("-pk")
        day = BenchSession.objects.filter(season=self.season, state="open", places__gt=0).earliest("day")
        change = {"kind": "level", "value": "0.9"}
        self.words |= {"plan": plan.pk, "sketch": sketch.pk}
        return {
            "bookings/": booking.pk,
            "offers/": self._offer(booking, day).pk,
            "plan/": sketch.pk,
            "booking_pk": placement.booking_id,
            "placement_pk": placement.pk,
            "what-if/": self._job("what_if", plan=plan.pk, version=plan.version, change=change).pk,
            "sessions/": day.pk,
            "calendars/bench/": day.bench_id,
            "calendars/": 0,
        }

    def _bench(self) -> dict[str, Any]:
        running = BenchSession.objects.get(season=self.season, state="running")
        places = BenchPlace.objects.filter(session=running, source__isnull=False).exclude(state="freed")
        lot = SemenLot.objects.filter(session=running).earliest("pk")
        dose = Dose.objects.filter(session=running).earliest("pk")
        return {
            "bench/": running.pk,
            "B/": running.pk,
            "entry_id": uuid.uuid4(),
            "lot_pk": lot.pk,
            "trace/lots/": lot.pk,
            "place_pk": places.earliest("-position").pk,
            "dose_pk": dose.pk,
            "trace/queens/": dose.batch_queen_id,
        }

    def _invitation(self) -> str:
        by = self.by["coordinator"]
        member = self.member
        made = invitation_make(
            member.cooperative, name="Ada", email="ada@example.org", member=member, by=by, now=self.now
        )
        return made[1].split("/")[-2]

    def _webhook(self) -> int:
        here, by = self.member.cooperative, self.by["coordinator"]
        made = Webhook.objects.create(
            cooperative=here, name="Chat", url="https://127.0.0.1/", secret=secret_make(), made_by=by, made_at=self.now
        )
        return int(made.pk)

    def _guest(self, queen: Queen) -> str:
        by = self.by["member1"]
        return guest_link_make(queen, name="Buyer", days=30, cooperative=queen.cooperative, by=by, now=self.now)[1]

    def _tap(self, reminder: Reminder, act: Act) -> str:
        sent = {"state": "sent", "sent_at": self.now}
        told, _made = Delivery.objects.get_or_create(
            reminder=reminder, person=self.by["member1"], channel="mail", defaults=sent
        )
        return tap_token(told, act)

    def _job(self, kind: str, **arguments: Any) -> Job:
        return Job.objects.create(
            cooperative=self.season.cooperative,
            kind=kind,
            arguments=arguments,
            requested_at=self.now,
            requested_by=self.by["coordinator"],
        )

    def _offer(self, booking: Booking, session: BenchSession) -> Offer:
        until = self.now + dt.timedelta(hours=12)
        return Offer.objects.create(
            booking=booking, session=session, queens=1, rank=1, offered_at=self.now, expires_at=until
        )


__all__ = ["ANONYMOUS", "NO_PAGES", "ROLES", "Pages", "Route", "routes"]
