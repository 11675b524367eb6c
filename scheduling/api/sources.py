"""Drone sources, the combs of each, and their counts."""

from typing import Any

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, can_plan, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Scope
from scheduling.api.batches import season_of, whose
from scheduling.models import CountKind, DroneCohort, DroneCount, DroneSource
from scheduling.queries.people import apiaries_acted_for, drone_queens_for
from scheduling.queries.season import seasons_seen_by
from scheduling.queries.sources import cohorts_seen_by, sources_seen_by
from scheduling.services.cohorts import OBSERVED, cohort_add, cohort_observe, count_record
from scheduling.services.sources import source_edit, source_hold, source_hold_lift, source_offer, source_withdraw

ONLY_COORDINATOR = gettext_noop("The coordinator holds and releases sources.")


class SourceShown(f.Shown):
    benches: Any = serializers.PrimaryKeyRelatedField(many=True, read_only=True, help_text="Empty: every bench.")

    class Meta:
        model = DroneSource
        fields = [
            "id", "season", "member", "apiary", "drone_queen", "name", "letter", "usable_share", "ul_per_drone",
            "daily_survival", "benches", "share_cap_permille", "share_target_permille", "health_certificate",
            "health_valid_until", "hold_since", "hold_reason", "offered_at", "withdrawn_at", "note",
        ]  # fmt: skip


class SourceGiven(f.Given):
    name = f.Text(max_length=40)
    apiary = f.Thing(apiaries_acted_for, required=False, allow_null=True)
    health_certificate = f.Text(max_length=80, required=False, allow_blank=True)
    health_valid_until = f.Day(required=False, allow_null=True)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class SourceMade(SourceGiven):
    season = f.Thing(seasons_seen_by, required=False, help_text="Without it: the one in force.")
    drone_queen = f.Thing(drone_queens_for, help_text="Alive, and of a member that you act for.")


class Held(f.Given):
    reason = f.Text(max_length=200)


class SourceWithdrawn(f.Given):
    reason = f.Text(max_length=200, required=False, allow_blank=True)


class SourceFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    member = filters.Id(field_name="member_id")
    drone_queen = filters.Id(field_name="drone_queen_id")
    withdrawn = filters.YesNo(field_name="withdrawn_at", filled=True)
    on_hold = filters.YesNo(field_name="hold_since", filled=True)


class SourceEndpoint(Readable, Endpoint):
    """Drone-producing queens' colonies offered for a season. Everybody sees them."""

    shown = SourceShown
    scope = Scope.SEASON
    filterset_class = SourceFilters
    ordering_fields = ("letter", "name", "offered_at")

    def seen(self, viewer: Viewer) -> QuerySet[DroneSource]:
        return sources_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[DroneSource]:
        rows = super().rows().select_related("season__cooperative", "member", "apiary", "drone_queen")
        return rows.prefetch_related("benches")

    def may_change(self, thing: DroneSource) -> bool:
        return can_plan(self.viewer) if self.action in {"hold", "release"} else can_act_for(self.viewer, thing.member)

    def whose(self, thing: DroneSource) -> str:
        return _(ONLY_COORDINATOR) if self.action in {"hold", "release"} else whose(thing, thing.member)

    @extend_schema(request=SourceMade, responses={201: SourceShown})
    def create(self, request: Request) -> Response:
        require(self.viewer.is_member or self.viewer.is_coordinator, _("Members offer drone sources."))
        given = self.given(SourceMade)
        season, queen = season_of(self, given), given["drone_queen"]
        return self.made(source_offer(season, member=queen.owner, **self.facts, **given).pk)

    @extend_schema(request=SourceGiven, responses=SourceShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        def service(source: DroneSource, given: Facts) -> None:
            names = ["name", "apiary", "health_certificate", "health_valid_until", "note"]
            source_edit(source, **{**{name: getattr(source, name) for name in names}, **given}, **self.facts)

        return self.change(pk, service, SourceGiven)

    @extend_schema(request=Held, responses=SourceShown)
    @action(detail=True, methods=["post"])
    def hold(self, request: Request, pk: int) -> Response:
        """Nothing is drawn from it until it is released."""
        return self.change(pk, lambda source, given: source_hold(source, **self.facts, **given), Held)

    @extend_schema(request=None, responses=SourceShown)
    @action(detail=True, methods=["post"])
    def release(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda source, _given: source_hold_lift(source, **self.facts))

    @extend_schema(request=SourceWithdrawn, responses=SourceShown)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda source, given: source_withdraw(source, **self.facts, **given), SourceWithdrawn)


class CountShown(f.Shown):
    class Meta:
        model = DroneCount
        fields = ["id", "kind", "counted_on", "number", "recorded_at"]


class CohortShown(f.Shown):
    counts = serializers.SerializerMethodField(help_text="Those that stand, the latest first.")

    class Meta:
        model = DroneCohort
        fields = [
            "id", "source", "number", "promised_comb_on", "comb_in_on", "laid_on", "capped_on", "emerged_on",
            "marked_on", "ended_on", "note", "version", "counts",
        ]  # fmt: skip

    @extend_schema_field(CountShown(many=True))
    def get_counts(self, cohort: DroneCohort) -> Any:
        return CountShown([row for row in cohort.counts.all() if row.replaced_by_id is None], many=True).data


class CohortMade(f.Given):
    source = f.Thing(sources_seen_by, help_text="One of yours.")  # type: ignore[assignment]
    promised_comb_on = f.Day(required=False, allow_null=True)
    comb_in_on = f.Day(required=False, allow_null=True)
    promised_drones = f.Whole(required=False, allow_null=True, max_value=20_000)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class CohortObserved(f.Given):
    step = f.Choice(choices=[(name, name) for name in ("promised_comb_on", *OBSERVED)])
    day = f.Day(allow_null=True, help_text="null takes the step back.")


class CountMade(f.Given):
    kind = f.Choice(choices=CountKind.choices)
    counted_on = f.Day()
    number = f.Whole(max_value=20_000)


class CohortFilters(filters.FilterSet):
    source = filters.Id(field_name="source_id")
    season = filters.Id(field_name="source__season_id")
    member = filters.Id(field_name="source__member_id")
    ended = filters.YesNo(field_name="ended_on", filled=True)


class CohortEndpoint(Readable, Endpoint):
    """Drones of one comb. Observed days and counts only; a correction keeps the earlier count."""

    shown = CohortShown
    scope = Scope.SEASON
    filterset_class = CohortFilters

    def seen(self, viewer: Viewer) -> QuerySet[DroneCohort]:
        return cohorts_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[DroneCohort]:
        rows = super().rows().select_related("source__season__cooperative", "source__member", "source__apiary")
        return rows.prefetch_related("counts")

    def may_change(self, thing: DroneCohort) -> bool:
        return can_act_for(self.viewer, thing.source.member)

    def whose(self, thing: DroneCohort) -> str:
        return whose(thing, thing.source.member)

    @extend_schema(request=CohortMade, responses={201: CohortShown})
    def create(self, request: Request) -> Response:
        given = self.given(CohortMade)
        wanted = given.pop("source").pk
        source = sources_seen_by(self.viewer).select_related("season__cooperative", "member", "apiary").get(pk=wanted)
        require(can_act_for(self.viewer, source.member), whose(source, source.member))
        return self.made(cohort_add(source, **self.facts, **given).pk)

    @extend_schema(request=CohortObserved, responses=CohortShown)
    @action(detail=True, methods=["post"])
    def observe(self, request: Request, pk: int) -> Response:
        """Record, correct or take back one day."""
        return self.change(pk, lambda cohort, given: cohort_observe(cohort, **self.facts, **given), CohortObserved)

    @extend_schema(request=CountMade, responses=CohortShown)
    @action(detail=True, methods=["post"])
    def count(self, request: Request, pk: int) -> Response:
        """A second count of the same kind and day corrects the first."""
        return self.change(pk, lambda cohort, given: count_record(cohort, **self.facts, **given), CountMade)
