"""Benches, bench days and plans."""

from typing import Any
from zoneinfo import ZoneInfo

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_plan, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Person, Role, Scope
from scheduling.api.batches import season_of
from scheduling.models import (
    Bench,
    BenchSession,
    DroneCall,
    Placement,
    Plan,
    PlanState,
    Season,
    SessionState,
    Unserved,
)
from scheduling.queries.plans import plans_seen_by
from scheduling.queries.season import seasons_seen_by
from scheduling.queries.sessions import sessions_seen_by, with_room
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_discard, plan_sketch_from
from scheduling.services.sessions import bench_add, session_cancel, session_change, session_open

DAYS_ARE_COORDINATORS = gettext_noop("Bench days are opened and changed by the coordinator.")
PLANS_ARE_COORDINATORS = gettext_noop("Plans are the coordinator's. Your own places stand in your bookings.")


def benches_seen_by(viewer: Viewer) -> QuerySet[Bench]:
    return Bench.objects.filter(cooperative=viewer.cooperative)


def operators_of(viewer: Viewer) -> QuerySet[Person]:
    grants = {"role_grants__cooperative": viewer.cooperative, "role_grants__role": Role.OPERATOR}
    return Person.objects.filter(**grants).distinct()


class BenchShown(f.Shown):
    class Meta:
        model = Bench
        fields = ["id", "name", "place"]


class BenchMade(f.Given):
    name = f.Text(max_length=60)
    place = f.Text(max_length=120, required=False, allow_blank=True)


class BenchEndpoint(Readable, Endpoint):
    """Places where queens are inseminated."""

    shown = BenchShown
    scope = Scope.PLANNING
    ordering_fields = ("name",)

    def seen(self, viewer: Viewer) -> QuerySet[Bench]:
        return benches_seen_by(viewer).order_by("pk")

    @extend_schema(request=BenchMade, responses={201: BenchShown})
    def create(self, request: Request) -> Response:
        require(can_plan(self.viewer), _(DAYS_ARE_COORDINATORS))
        return self.made(bench_add(self.viewer.cooperative, **self.facts, **self.given(BenchMade)).pk)


class SessionShown(f.Shown):
    held = serializers.IntegerField(read_only=True, help_text="Places given or offered.")
    asked = serializers.IntegerField(read_only=True, help_text="Places asked for and not planned yet.")
    seconds = serializers.IntegerField(read_only=True, help_text="Places set aside for second doses due there.")
    free = serializers.SerializerMethodField()
    queue = serializers.IntegerField(read_only=True, help_text="Requests in the queue for this day.")

    class Meta:
        model = BenchSession
        fields = [
            "id", "season", "bench", "day", "starts_at", "ends_at", "operator", "places", "operator_minutes",
            "collect_drones", "co2_capacity", "state", "opened_at", "closed_at", "note", "held", "asked",
            "seconds", "free", "queue",
        ]  # fmt: skip

    def get_free(self, session: Any) -> int:
        return max(0, int(session.left))


class SessionGiven(f.Given):
    starts = f.Clock(help_text="By the cooperative's clock.")
    ends = f.Clock()
    operator = f.Thing(operators_of, required=False, allow_null=True)
    places = f.Whole(max_value=500)
    operator_minutes = f.Whole(max_value=1440)
    collect_drones = f.Whole(max_value=5000)
    co2_capacity = f.Whole(max_value=1000)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class SessionMade(SessionGiven):
    season = f.Thing(seasons_seen_by, required=False, help_text="Without it: the one in force.")
    bench = f.Thing(benches_seen_by)
    day = f.Day()


class Cancelled(f.Given):
    reason = f.Text(max_length=200)


class SessionFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    bench = filters.Id(field_name="bench_id")
    day_from = filters.Day(field_name="day", lookup_expr="gte")
    day_until = filters.Day(field_name="day", lookup_expr="lte")
    state = django_filters.ChoiceFilter(choices=SessionState.choices)


class SessionEndpoint(Readable, Endpoint):
    """Bench days with the room each has. Everybody sees them; the coordinator opens and changes them."""

    shown = SessionShown
    scope = Scope.PLANNING
    filterset_class = SessionFilters
    ordering_fields = ("day", "starts_at")

    def seen(self, viewer: Viewer) -> QuerySet[BenchSession]:
        return sessions_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[BenchSession]:
        split = seasons_seen_by(self.viewer).filter(sessions__doses__second_planned=True).distinct()
        return with_room(super().rows().select_related("bench", "season__cooperative"), seasons=split)

    def may_change(self, thing: BenchSession) -> bool:
        return can_plan(self.viewer)

    def whose(self, thing: BenchSession) -> str:
        return _(DAYS_ARE_COORDINATORS)

    @extend_schema(request=SessionMade, responses={201: SessionShown})
    def create(self, request: Request) -> Response:
        require(can_plan(self.viewer), _(DAYS_ARE_COORDINATORS))
        given = self.given(SessionMade)
        return self.made(session_open(season_of(self, given), **self.facts, **given).pk)

    @extend_schema(request=SessionGiven, responses=SessionShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        def service(session: BenchSession, given: Facts) -> None:
            zone = ZoneInfo(session.season.cooperative.time_zone)
            kept = {
                "starts": session.starts_at.astimezone(zone).time(),
                "ends": session.ends_at.astimezone(zone).time(),
            }
            session_change(session, **{**kept, **given}, **self.facts)

        return self.change(pk, service, SessionGiven)

    @extend_schema(request=Cancelled, responses=SessionShown)
    @action(detail=True, methods=["post"], url_path="call-off", url_name="call-off")
    def call_off(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda session, given: session_cancel(session, **self.facts, **given), Cancelled)


class PlacementShown(f.Shown):
    class Meta:
        model = Placement
        fields = ["id", "booking", "session", "source", "pool", "queens", "co2_before", "co2_after", "frozen"]


class UnservedShown(f.Shown):
    class Meta:
        model = Unserved
        fields = ["booking", "queens", "reasons"]


class CallShown(f.Shown):
    volume_ul = f.Volume(source="volume_tenths", read_only=True)

    class Meta:
        model = DroneCall
        fields = ["source", "session", "drones", "volume_ul", "brought"]


class PlanShown(f.Shown):
    job_state = serializers.CharField(source="job.state", read_only=True, allow_null=True, default=None)

    class Meta:
        model = Plan
        fields = [
            "id", "season", "number", "state", "based_on", "no_full_fit", "version", "created_at", "published_at",
            "job_state",
        ]  # fmt: skip


class PlanWholeShown(PlanShown):
    placements = PlacementShown(many=True, read_only=True)
    unserved = UnservedShown(many=True, read_only=True)
    drone_calls = CallShown(many=True, read_only=True)

    class Meta(PlanShown.Meta):
        fields = [*PlanShown.Meta.fields, "placements", "unserved", "drone_calls"]


class PlanAsked(f.Given):
    season = f.Thing(seasons_seen_by, required=False, help_text="Without it: the one in force.")


class PlanFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    state = django_filters.ChoiceFilter(choices=PlanState.choices)


class PlanEndpoint(Readable, Endpoint):
    """Plans, for the coordinator: worked out, looked at, published. Placements are moved on the plan board."""

    shown = PlanWholeShown
    scope = Scope.PLANNING
    filterset_class = PlanFilters
    ordering_fields = ("created_at",)
    ordering = ("-created_at", "-pk")
    keyed = frozenset({"publish"})
    matched = frozenset({*Endpoint.matched, "publish"})

    def seen(self, viewer: Viewer) -> QuerySet[Plan]:
        return plans_seen_by(viewer)

    def rows(self) -> QuerySet[Plan]:
        require(can_plan(self.viewer), _(PLANS_ARE_COORDINATORS))
        rows = super().rows().select_related("season__cooperative", "job").defer("problem", "result")
        return rows if self.action == "list" else rows.prefetch_related("placements", "unserved", "drone_calls")

    def get_serializer_class(self) -> Any:
        return PlanShown if self.action == "list" else PlanWholeShown

    def may_change(self, thing: Plan) -> bool:
        return can_plan(self.viewer)

    def lock(self, thing: Plan) -> None:
        Season.objects.select_for_update(of=("self",)).get(pk=thing.season_id)
        super().lock(thing)

    @extend_schema(responses=PlanShown(many=True))
    def list(self, request: Request) -> Response:
        return self.page()

    @extend_schema(request=PlanAsked, responses={202: PlanWholeShown})
    def create(self, request: Request) -> Response:
        """Ask for one to be worked out; while one is, that one is the answer. Read it until it is `to_check`."""
        require(can_plan(self.viewer), _(PLANS_ARE_COORDINATORS))
        given = self.given(PlanAsked)
        return self.one(plan_ask(season_of(self, given), **self.facts).pk, code=202)

    @extend_schema(request=None, responses=PlanWholeShown)
    @action(detail=True, methods=["post"])
    def publish(self, request: Request, pk: int) -> Response:
        """Give it its number, hand out the places, call the drones, and tell exactly those whom it changes."""
        return self.change(pk, lambda plan, _given: plan_publish(plan, version=plan.version, **self.facts))

    @extend_schema(request=None, responses=PlanWholeShown)
    @action(detail=True, methods=["post"])
    def discard(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda plan, _given: plan_discard(plan, **self.facts))

    @extend_schema(request=None, responses={201: PlanWholeShown})
    @action(detail=True, methods=["post"])
    def sketch(self, request: Request, pk: int) -> Response:
        """A new sketch that begins as this plan is."""
        made: list[Plan] = []
        self.change(pk, lambda plan, _given: made.append(plan_sketch_from(plan, **self.facts)))
        return self.made(made[0].pk)
