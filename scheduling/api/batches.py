"""The season, queen batches with what is observed of them, their single queens."""

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Scope
from accounts.refusals import Refusal
from scheduling.models import BatchQueen, BenchState, Finding, Pattern, QueenBatch, QueenCheck, Season
from scheduling.queries.batches import batch_view, batches_seen_by, batches_with_facts, zone_of_batch
from scheduling.queries.people import apiaries_acted_for, members_acted_for, mothers_for
from scheduling.queries.season import season_in_force, seasons_seen_by
from scheduling.queries.words import words_of
from scheduling.services.batch_emergences import batch_emergence
from scheduling.services.batch_queens import (
    batch_queen_back,
    batch_queen_lost,
    batch_queen_nuc,
    batch_queen_set_aside,
)
from scheduling.services.batch_rules import OBSERVED
from scheduling.services.batches import (
    batch_add,
    batch_close,
    batch_edit,
    batch_first_co2,
    batch_observe,
    batch_reopen,
    batch_replan,
    batch_withdraw_step,
)
from scheduling.services.checks import check_record


def whose(thing: object, member: object) -> str:
    return _("%(thing)s belongs to %(member)s.") % {"thing": thing, "member": member}


class BatchShown(f.Shown):
    class Meta:
        model = QueenBatch
        fields = [
            "id", "season", "member", "apiary", "name", "mother", "wanted_bench_on", "planned_graft_on", "confined_on",
            "grafted_on", "grafted_hour", "cells_grafted", "counted_on", "cells_started", "sealed_on",
            "cell_temperature_c", "caged_on", "emerged_on", "emerged_hour", "virgins_emerged", "excluder_on",
            "first_co2_at", "eggs_seen_on", "closed_on", "closed_reason", "note", "version", "created_at",
        ]  # fmt: skip


class BatchMade(f.Given):
    season = f.Thing(seasons_seen_by, required=False, help_text="Without it: the one in force.")
    member = f.Thing(members_acted_for, help_text="One that you act for.")
    mother = f.Thing(mothers_for, help_text="Mated and alive.")
    name = f.Text(max_length=40)
    wanted_bench_on = f.Day(required=False, allow_null=True, help_text="The graft is worked out from it.")
    grafted_on = f.Day(required=False, allow_null=True)
    grafted_hour = f.Whole(required=False, allow_null=True, max_value=23)
    cells_grafted = f.Whole(required=False, allow_null=True, min_value=1, max_value=500)
    apiary = f.Thing(apiaries_acted_for, required=False, allow_null=True)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class BatchGiven(f.Given):
    name = f.Text(max_length=40)
    apiary = f.Thing(apiaries_acted_for, required=False, allow_null=True)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class Replanned(f.Given):
    wanted_bench_on = f.Day()


class Reason(f.Given):
    reason = f.Text(max_length=120, required=False, allow_blank=True)


class Emergence(f.Given):
    emerged_on = f.Day()
    virgins = f.Whole(max_value=500, help_text="Of that day; 0 takes the day back.")


class FirstCo2(f.Given):
    ended_at = f.Moment(allow_null=True, help_text="null takes it back.")


class Observed(f.Given):
    """One observed step: its day under the name it has in the batch, and what is noted with it."""

    confined_on = f.Day(required=False)
    grafted_on = f.Day(required=False)
    grafted_hour = f.Whole(required=False, allow_null=True, max_value=23)
    cells_grafted = f.Whole(required=False, allow_null=True, min_value=1, max_value=500)
    counted_on = f.Day(required=False)
    cells_started = f.Whole(required=False, allow_null=True, max_value=500)
    sealed_on = f.Day(required=False)
    cell_temperature_c = f.Number(
        required=False, allow_null=True, max_digits=4, decimal_places=1, min_value=20, max_value=42
    )
    caged_on = f.Day(required=False)
    emerged_on = f.Day(required=False)
    emerged_hour = f.Whole(required=False, allow_null=True, max_value=23)
    virgins_emerged = f.Whole(required=False, allow_null=True, max_value=500)
    excluder_on = f.Day(required=False)
    eggs_seen_on = f.Day(required=False)


class StepShown(serializers.Serializer[Any]):
    key = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    earliest = serializers.DateField()
    best = serializers.DateField()
    latest = serializers.DateField()
    done = serializers.BooleanField()


class CalendarShown(serializers.Serializer[Any]):
    state = serializers.CharField(help_text="Where the batch stands today.")
    steps = StepShown(many=True)


STEP = OpenApiParameter(
    "step", OpenApiTypes.STR, OpenApiParameter.PATH, enum=list(OBSERVED), description="Which step was observed."
)


class BatchFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    member = filters.Id(field_name="member_id")
    mother = filters.Id(field_name="mother_id")
    name = django_filters.CharFilter(lookup_expr="icontains")
    closed = filters.YesNo(field_name="closed_on", filled=True)


class BatchEndpoint(Readable, Endpoint):
    """Queens grafted together. Only what was observed is kept; every date to come is worked out (`calendar`)."""

    shown = BatchShown
    scope = Scope.SEASON
    filterset_class = BatchFilters
    ordering_fields = ("name", "created_at")

    def seen(self, viewer: Viewer) -> QuerySet[QueenBatch]:
        return batches_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[QueenBatch]:
        return super().rows().select_related("season__cooperative", "member", "apiary", "mother")

    def may_change(self, thing: QueenBatch) -> bool:
        return can_act_for(self.viewer, thing.member)

    def whose(self, thing: QueenBatch) -> str:
        return whose(thing, thing.member)

    @extend_schema(request=BatchMade, responses={201: BatchShown})
    def create(self, request: Request) -> Response:
        require(self.viewer.is_member or self.viewer.is_coordinator, _("Members plan batches."))
        given = self.given(BatchMade)
        return self.made(batch_add(season_of(self, given), **self.facts, **given).pk)

    @extend_schema(request=BatchGiven, responses=BatchShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        def service(batch: QueenBatch, given: Facts) -> None:
            kept = {"name": batch.name, "apiary": batch.apiary, "note": batch.note}
            batch_edit(batch, **{**kept, **given}, **self.facts)

        return self.change(pk, service, BatchGiven)

    @extend_schema(request=Replanned, responses=BatchShown)
    @action(detail=True, methods=["post"])
    def replan(self, request: Request, pk: int) -> Response:
        """Another bench day for a batch that is not grafted yet."""
        return self.change(pk, lambda batch, given: batch_replan(batch, **self.facts, **given), Replanned)

    @extend_schema(request=Observed, responses=BatchShown, parameters=[STEP])
    @action(detail=True, methods=["post"], url_path="observe/<str:step>")
    def observe(self, request: Request, pk: int, step: str) -> Response:
        """Record or correct one step. The earlier value stays in the history."""
        if step not in OBSERVED:
            raise Http404

        def service(batch: QueenBatch, given: Facts) -> None:
            batch_observe(batch, step=step, values=_of_step(step, given), **self.facts)

        return self.change(pk, service, Observed)

    @extend_schema(request=None, responses=BatchShown, parameters=[STEP])
    @action(detail=True, methods=["post"], url_path="take-back/<str:step>", url_name="take-back")
    def take_back(self, request: Request, pk: int, step: str) -> Response:
        """A step that was recorded by mistake."""
        if step not in OBSERVED:
            raise Http404
        return self.change(pk, lambda batch, _given: batch_withdraw_step(batch, step=step, **self.facts))

    @extend_schema(request=Emergence, responses=BatchShown)
    @action(detail=True, methods=["post"])
    def emergence(self, request: Request, pk: int) -> Response:
        """Virgins of one more day, or another number of a day on record."""
        return self.change(pk, lambda batch, given: batch_emergence(batch, **self.facts, **given), Emergence)

    @extend_schema(request=FirstCo2, responses=BatchShown)
    @action(detail=True, methods=["post"], url_path="first-co2", url_name="first-co2")
    def first_co2(self, request: Request, pk: int) -> Response:
        """The first CO2 treatment, given at home to the whole batch."""
        return self.change(pk, lambda batch, given: batch_first_co2(batch, **self.facts, **given), FirstCo2)

    @extend_schema(request=Reason, responses=BatchShown)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda batch, given: batch_close(batch, **self.facts, **given), Reason)

    @extend_schema(request=None, responses=BatchShown)
    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda batch, _given: batch_reopen(batch, **self.facts))

    @extend_schema(responses=CalendarShown)
    @action(detail=True, methods=["get"])
    def calendar(self, request: Request, pk: int) -> Response:
        """Every step with its days, worked out from what was observed and the season's figures."""
        found = batches_with_facts(self.seen(self.viewer).filter(pk=pk))
        if not found:
            raise Http404
        view = batch_view(found[0], today=self.now.astimezone(zone_of_batch(found[0])).date())
        steps = [
            {
                "key": step.key,
                "label": words_of(step.what),
                "earliest": step.earliest,
                "best": step.best,
                "latest": step.latest,
                "done": step.is_done,
            }
            for step in view.steps
        ]
        return Response(CalendarShown({"state": str(view.state), "steps": steps}).data)


def season_of(endpoint: Endpoint, given: dict[str, Any]) -> Season:
    season = given.pop("season", None) or season_in_force(endpoint.viewer.cooperative, today=endpoint.today)
    if season is None:
        raise Refusal(_("There is no season yet. The coordinator opens one."), rule="no_season")
    return season


def _of_step(step: str, given: Facts) -> dict[str, Any]:
    observed = OBSERVED[step]
    own = {observed.date, *observed.with_it}
    text = _("This does not belong to the step “%(step)s”.") % {"step": step}
    strange = {name: [text] for name in given if name not in own}
    if strange:
        raise serializers.ValidationError(strange)
    if observed.date not in given:
        raise serializers.ValidationError({observed.date: [_("Say on which day.")]})
    return dict(given)


class CheckShown(f.Shown):
    class Meta:
        model = QueenCheck
        fields = ["id", "batch_queen", "checked_on", "finding", "pattern", "brood_cells", "brood_alive", "note",
                  "recorded_at", "entry"]  # fmt: skip


class BatchQueenShown(f.Shown):
    label = serializers.CharField(source="queen.label", read_only=True)  # type: ignore[assignment]
    emerged_on = serializers.DateField(source="queen.emerged_on", read_only=True, allow_null=True)
    checks = serializers.SerializerMethodField()

    class Meta:
        model = BatchQueen
        fields = [
            "id", "batch", "queen", "label", "number", "state", "state_reason", "nuc", "excluder_confirmed_on",
            "emerged_on", "checks",
        ]  # fmt: skip

    @extend_schema_field(CheckShown(many=True))
    def get_checks(self, queen: BatchQueen) -> Any:
        return CheckShown([row for row in queen.checks.all() if row.replaced_by_id is None], many=True).data


class Left(f.Given):
    what = f.Choice(choices=[("set_aside", "set_aside"), ("lost", "lost")])
    reason = f.Text(max_length=120)
    lost_on = f.Day(required=False, allow_null=True, help_text="Without it: today.")


class Nuc(f.Given):
    nuc = f.Text(max_length=40, required=False, allow_blank=True)
    excluder_confirmed_on = f.Day(required=False, allow_null=True)


class CheckMade(f.Given):
    checked_on = f.Day()
    finding = f.Choice(choices=Finding.choices)
    pattern = f.Choice(choices=Pattern.choices, required=False)
    note = f.Text(max_length=200, required=False, allow_blank=True)
    brood_cells = f.Whole(required=False, allow_null=True, max_value=32767)
    brood_alive = f.Whole(required=False, allow_null=True, max_value=32767)
    entry = f.Uuid(required=False, help_text="A key of your own: sent twice, it is one look.")


class BatchQueenFilters(filters.FilterSet):
    batch = filters.Id(field_name="batch_id")
    queen = filters.Id(field_name="queen_id")
    season = filters.Id(field_name="batch__season_id")
    state = django_filters.ChoiceFilter(choices=BenchState.choices)


class BatchQueenEndpoint(Readable, Endpoint):
    """The virgins of the batches, one by one: where she stands around her insemination, and what was found later."""

    shown = BatchQueenShown
    scope = Scope.SEASON
    filterset_class = BatchQueenFilters

    def seen(self, viewer: Viewer) -> QuerySet[BatchQueen]:
        return BatchQueen.objects.filter(batch__in=batches_seen_by(viewer)).order_by("pk")

    def rows(self) -> QuerySet[BatchQueen]:
        rows = super().rows().select_related("queen", "batch__member", "batch__season__cooperative", "batch__apiary")
        return rows.prefetch_related("checks")

    def may_change(self, thing: BatchQueen) -> bool:
        return can_act_for(self.viewer, thing.batch.member)

    def whose(self, thing: BatchQueen) -> str:
        return whose(thing, thing.batch.member)

    @extend_schema(request=Left, responses=BatchQueenShown)
    @action(detail=True, methods=["post"])
    def leaves(self, request: Request, pk: int) -> Response:
        """Set aside (alive, not for the bench), or lost."""

        def service(queen: BatchQueen, given: Facts) -> None:
            if given["what"] == "lost":
                lost_on = given.get("lost_on") or self.now.astimezone(zone_of_batch(queen.batch)).date()
                batch_queen_lost(queen, reason=given["reason"], lost_on=lost_on, **self.facts)
            else:
                batch_queen_set_aside(queen, reason=given["reason"], **self.facts)

        return self.change(pk, service, Left)

    @extend_schema(request=None, responses=BatchQueenShown)
    @action(detail=True, methods=["post"])
    def back(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda queen, _given: batch_queen_back(queen, **self.facts))

    @extend_schema(request=Nuc, responses=BatchQueenShown)
    @action(detail=True, methods=["post"])
    def nuc(self, request: Request, pk: int) -> Response:
        """Where she stands."""

        def service(queen: BatchQueen, given: Facts) -> None:
            kept = {"nuc": queen.nuc, "excluder_confirmed_on": queen.excluder_confirmed_on}
            batch_queen_nuc(queen, **{**kept, **given}, **self.facts)

        return self.change(pk, service, Nuc)

    @extend_schema(request=CheckMade, responses=BatchQueenShown)
    @action(detail=True, methods=["post"])
    def check(self, request: Request, pk: int) -> Response:
        """What was found when she was looked at: eggs, brood, outcome."""
        return self.change(pk, lambda queen, given: check_record(queen, **self.facts, **given), CheckMade)
