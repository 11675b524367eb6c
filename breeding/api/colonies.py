"""Colonies, who heads them, and their scores."""

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from breeding.models import Colony, Heading, Score, Trait
from breeding.queries.stock import (
    colonies_seen_by,
    open_apiaries_for,
    queens_seen_by,
    scores_seen_by,
    traits_of,
)
from breeding.services.colonies import colony_add, colony_end, colony_requeen
from breeding.services.scores import score_correct, score_record, score_restore, score_withdraw

ONLY_OWN = gettext_noop("Only {owner} and the coordinator may change this.")


def traits_seen_by(viewer: Viewer) -> QuerySet[Trait]:
    return traits_of(viewer.cooperative)


class HeadingShown(f.Shown):
    class Meta:
        model = Heading
        fields = ["queen", "since", "until"]


class ColonyShown(f.Shown):
    queen = serializers.SerializerMethodField(help_text="Who heads it now.")
    headings = HeadingShown(many=True, read_only=True, help_text="The latest first.")
    member = serializers.IntegerField(source="apiary.member_id", read_only=True)

    class Meta:
        model = Colony
        fields = [
            "id", "name", "apiary", "member", "queen", "headings", "established_on", "ended_on", "ended_reason", "note",
            "created_at",
        ]  # fmt: skip

    def get_queen(self, colony: Colony) -> int | None:
        return next((row.queen_id for row in colony.headings.all() if row.until is None), None)


class ColonyMade(f.Given):
    apiary = f.Thing(open_apiaries_for, help_text="One of yours.")
    name = f.Text(max_length=40)
    established_on = f.Day(required=False, allow_null=True)
    queen = f.Thing(queens_seen_by, required=False, allow_null=True)
    since = f.Day(required=False, allow_null=True, help_text="When that queen came; without it: today.")
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class Requeened(f.Given):
    queen = f.Thing(queens_seen_by)
    since = f.Day()
    earlier_gone = f.Text(
        max_length=120, required=False, help_text="When the earlier queen is gone: what happened to her."
    )


class ColonyEnded(f.Given):
    ended_on = f.Day()
    reason = f.Text(max_length=120, required=False, allow_blank=True)


class ColonyFilters(filters.FilterSet):
    name = django_filters.CharFilter(lookup_expr="icontains")
    apiary = filters.Id(field_name="apiary_id")
    member = filters.Id(field_name="apiary__member_id")
    ended = filters.YesNo(field_name="ended_on", filled=True)


class ColonyEndpoint(Readable, Endpoint):
    """Colonies of the cooperative. Their own member and the coordinator change them."""

    shown = ColonyShown
    filterset_class = ColonyFilters
    ordering_fields = ("name", "created_at")

    def seen(self, viewer: Viewer) -> QuerySet[Colony]:
        return colonies_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Colony]:
        return super().rows().select_related("apiary__member__cooperative").prefetch_related("headings")

    def may_change(self, thing: Colony) -> bool:
        return can_act_for(self.viewer, thing.apiary.member)

    def whose(self, thing: Colony) -> str:
        return _(ONLY_OWN).format(owner=thing.apiary.member)

    @extend_schema(request=ColonyMade, responses={201: ColonyShown})
    def create(self, request: Request) -> Response:
        given = self.given(ColonyMade)
        return self.made(colony_add(given.pop("apiary"), **self.facts, **given).pk)

    @extend_schema(request=Requeened, responses=ColonyShown)
    @action(detail=True, methods=["post"])
    def requeen(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda colony, given: colony_requeen(colony, **self.facts, **given), Requeened)

    @extend_schema(request=ColonyEnded, responses=ColonyShown)
    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda colony, given: colony_end(colony, **self.facts, **given), ColonyEnded)


class TraitShown(f.Shown):
    class Meta:
        model = Trait
        fields = [
            "id", "key", "name", "unit", "season_rule", "high_is_good", "in_evaluation", "merit_weight",
        ]  # fmt: skip


class TraitEndpoint(Readable, Endpoint):
    """What colonies are scored for."""

    shown = TraitShown
    ordering_fields = ("position",)
    ordering = ("position", "pk")

    def seen(self, viewer: Viewer) -> QuerySet[Trait]:
        return traits_seen_by(viewer)


class ScoreShown(f.Shown):
    trait = serializers.CharField(source="trait.key", read_only=True)
    counts = serializers.SerializerMethodField(help_text="Neither corrected by another one nor withdrawn.")

    class Meta:
        model = Score
        fields = [
            "id", "colony", "queen", "trait", "scored_on", "value", "part", "whole", "method", "hours", "note", "entry",
            "recorded_at", "replaced_by", "withdrawn_at", "counts",
        ]  # fmt: skip

    def get_counts(self, score: Score) -> bool:
        return score.replaced_by_id is None and score.withdrawn_at is None


class Seen(f.Given):
    """What was seen: a value in the trait's unit, or a part of a whole that was counted."""

    value = f.Number(max_digits=9, decimal_places=3, required=False, allow_null=True)
    part = f.Whole(required=False, allow_null=True)
    whole = f.Whole(required=False, allow_null=True, min_value=1)
    method = f.Text(max_length=40, required=False, allow_blank=True)
    hours = f.Number(max_digits=4, decimal_places=1, required=False, allow_null=True, min_value=0)
    note = f.Text(max_length=200, required=False, allow_blank=True)


class ScoreMade(Seen):
    colony = f.Thing(colonies_seen_by, help_text="One of yours.")
    trait = f.Text(max_length=30, help_text="Its key.")
    scored_on = f.Day()
    entry = f.Uuid(required=False, help_text="A key of your own: sent twice, it is one score.")


class Noted(f.Given):
    note = f.Text(max_length=200, required=False, allow_blank=True)


class ScoreFilters(filters.FilterSet):
    colony = filters.Id(field_name="colony_id")
    queen = filters.Id(field_name="queen_id")
    trait = django_filters.CharFilter(field_name="trait__key")
    scored_from = filters.Day(field_name="scored_on", lookup_expr="gte")
    scored_until = filters.Day(field_name="scored_on", lookup_expr="lte")
    replaced = filters.YesNo(field_name="replaced_by", filled=True)
    withdrawn = filters.YesNo(field_name="withdrawn_at", filled=True)


class ScoreEndpoint(Readable, Endpoint):
    """Scores, corrected and withdrawn ones too. A correction is a new score in the place of the earlier one."""

    shown = ScoreShown
    filterset_class = ScoreFilters
    ordering_fields = ("scored_on", "recorded_at")

    def seen(self, viewer: Viewer) -> QuerySet[Score]:
        return scores_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Score]:
        return super().rows().select_related("trait__cooperative", "colony__apiary__member", "queen")

    def may_change(self, thing: Score) -> bool:
        return can_act_for(self.viewer, thing.colony.apiary.member)

    def whose(self, thing: Score) -> str:
        return _(ONLY_OWN).format(owner=thing.colony.apiary.member)

    @extend_schema(request=ScoreMade, responses={201: ScoreShown})
    def create(self, request: Request) -> Response:
        given = self.given(ScoreMade)
        colony: Any = colonies_seen_by(self.viewer).select_related("apiary__member__cooperative")
        colony = colony.get(pk=given.pop("colony").pk)
        require(can_act_for(self.viewer, colony.apiary.member), _(ONLY_OWN).format(owner=colony.apiary.member))
        trait = traits_seen_by(self.viewer).filter(key=given.pop("trait")).first()
        if trait is None:
            raise serializers.ValidationError({"trait": [_("There is no such trait; /api/v1/traits/ lists them.")]})
        return self.made(score_record(colony, trait=trait, **self.facts, **given).pk)

    @extend_schema(request=Seen, responses={201: ScoreShown})
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, pk: int) -> Response:
        """The answer is the new score; the earlier one names it in `replaced_by`."""
        made: list[Score] = []

        def service(score: Score, given: Facts) -> None:
            made.append(score_correct(score, **self.facts, **given))

        self.change(pk, service, Seen)
        return self.made(made[0].pk)

    @extend_schema(request=Noted, responses=ScoreShown)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda score, given: score_withdraw(score, **self.facts, **given), Noted)

    @extend_schema(request=None, responses=ScoreShown)
    @action(detail=True, methods=["post"])
    def restore(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda score, _given: score_restore(score, **self.facts))
