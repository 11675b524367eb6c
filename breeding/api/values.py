"""Evaluations with their breeding values and ranking; planned crosses."""

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_plan_crosses, can_run_evaluation, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Readable
from accounts.models import Scope
from breeding.models import CrossShare, EvaluationRun, Merit, PlannedCross, QueenStatus, TraitValue
from breeding.queries.crosses import planned_crosses_of
from breeding.queries.ranking import runs_of
from breeding.queries.stock import queens_seen_by
from breeding.services.crosses import cross_remove, cross_save
from breeding.services.evaluation.asking import evaluation_ask

ONLY_BREEDERS = "Breeders and the coordinator do this."


class EvaluationShown(f.Shown):
    traits = serializers.SerializerMethodField(help_text="Keys of the traits that took part.")

    class Meta:
        model = EvaluationRun
        fields = ["id", "number", "made_at", "records_until", "queens", "records", "traits", "is_trial", "checks"]

    def get_traits(self, run: EvaluationRun) -> list[str]:
        return [str(key) for key in run.parameters.get("traits", [])]


class Asked(serializers.Serializer[Any]):
    job = serializers.IntegerField()
    state = serializers.CharField()


class MeritShown(f.Shown):
    label = serializers.CharField(source="queen.label", read_only=True)  # type: ignore[assignment]
    status = serializers.CharField(source="queen.status", read_only=True)
    owner = serializers.IntegerField(source="queen.owner_id", read_only=True)

    class Meta:
        model = Merit
        fields = [
            "queen", "label", "status", "owner", "merit", "merit_error", "reliability", "as_mother", "as_mother_error",
            "place_best", "place_worst", "ranked", "inbreeding", "worker_inbreeding", "known_generations",
        ]  # fmt: skip


class ValueShown(f.Shown):
    trait = serializers.CharField(source="trait.key", read_only=True)

    class Meta:
        model = TraitValue
        fields = [
            "queen", "trait", "worker", "queen_effect", "total", "total_error", "total_reliability", "as_mother",
            "as_mother_error", "performance", "performance_error", "performance_reliability", "records",
        ]  # fmt: skip


class EvaluationFilters(filters.FilterSet):
    trial = filters.YesNo(field_name="is_trial")


class MeritFilters(filters.FilterSet):
    queen = filters.Id(field_name="queen_id")
    owner = filters.Id(field_name="queen__owner_id")
    line = filters.Id(field_name="queen__line_id")
    status = django_filters.ChoiceFilter(field_name="queen__status", choices=QueenStatus.choices)


class ValueFilters(filters.FilterSet):
    queen = filters.Id(field_name="queen_id")
    trait = django_filters.CharFilter(field_name="trait__key")


class EvaluationEndpoint(Readable, Endpoint):
    """Evaluations, the ranking and the breeding values of each. None is ever edited."""

    shown = EvaluationShown
    scope = Scope.PLANNING
    filterset_class = EvaluationFilters
    ordering_fields = ("number",)
    ordering = ("-number",)

    def seen(self, viewer: Viewer) -> QuerySet[EvaluationRun]:
        return runs_of(viewer.cooperative)

    @extend_schema(request=None, responses={202: Asked})
    def create(self, request: Request) -> Response:
        """Ask for a new one. It takes a while: look for it in the list, its number is the next one."""
        require(can_run_evaluation(self.viewer), _(ONLY_BREEDERS))
        self._nothing_given()
        job = evaluation_ask(self.viewer.cooperative, **self.facts)
        return Response({"job": job.pk, "state": job.state}, status=202)

    @extend_schema(responses=MeritShown(many=True))
    @action(
        detail=True,
        methods=["get"],
        serializer_class=MeritShown,
        filterset_class=MeritFilters,
        ordering=("-merit", "pk"),
        ordering_fields=("merit",),
    )
    def ranking(self, request: Request, pk: int) -> Response:
        """Merit of each queen, the best first; 0 is the mean of the living stock, the unit its genetic SD."""
        return self.page(Merit.objects.filter(run=self.of_id(pk)).select_related("queen"))

    @extend_schema(responses=ValueShown(many=True))
    @action(
        detail=True,
        methods=["get"],
        serializer_class=ValueShown,
        filterset_class=ValueFilters,
        ordering=("pk",),
        ordering_fields=(),
    )
    def values(self, request: Request, pk: int) -> Response:
        """Breeding values of each queen and trait, in the trait's unit around the mean of the living, tested stock."""
        return self.page(TraitValue.objects.filter(run=self.of_id(pk)).select_related("trait"))

    def get_serializer_class(self) -> Any:
        return {"ranking": MeritShown, "values": ValueShown}.get(self.action or "", EvaluationShown)


class CrossShareShown(f.Shown):
    class Meta:
        model = CrossShare
        fields = ["drone_queen", "share_permille"]


class CrossShown(f.Shown):
    shares = CrossShareShown(many=True, read_only=True)

    class Meta:
        model = PlannedCross
        fields = ["id", "mother", "season_year", "note", "planned_at", "shares"]


class CrossShareGiven(f.Given):
    drone_queen = f.Thing(queens_seen_by)
    share = f.Whole(min_value=1, max_value=1000, default=1, help_text="Parts; they are scaled to the whole.")


class CrossMade(f.Given):
    mother = f.Thing(queens_seen_by)
    season_year = f.Whole(max_value=9999)
    note = f.Text(max_length=200, required=False, allow_blank=True)
    shares = CrossShareGiven(many=True, allow_empty=False, max_length=10)  # type: ignore[call-arg]


class CrossFilters(filters.FilterSet):
    mother = filters.Id(field_name="mother_id")
    season_year = filters.Id()


class CrossEndpoint(Readable, Endpoint):
    """Which crosses the cooperative wants."""

    shown = CrossShown
    scope = Scope.PLANNING
    filterset_class = CrossFilters
    ordering_fields = ("planned_at",)

    def seen(self, viewer: Viewer) -> QuerySet[PlannedCross]:
        return planned_crosses_of(viewer.cooperative).order_by("pk")

    def may_change(self, thing: PlannedCross) -> bool:
        return can_plan_crosses(self.viewer)

    def whose(self, thing: PlannedCross) -> str:
        return _(ONLY_BREEDERS)

    @extend_schema(request=CrossMade, responses={201: CrossShown})
    def create(self, request: Request) -> Response:
        require(can_plan_crosses(self.viewer), _(ONLY_BREEDERS))
        given = self.given(CrossMade)
        shares = {share["drone_queen"]: float(share["share"]) for share in given.pop("shares")}
        return self.made(cross_save(self.viewer.cooperative, shares=shares, **self.facts, **given).pk)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda cross, _given: cross_remove(cross, **self.facts))
