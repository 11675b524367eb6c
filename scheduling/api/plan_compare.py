"""Two plans beside each other, as on the page that compares them."""

from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.refusals import Refusal
from scheduling.api.plan_moves import PlanMovesEndpoint
from scheduling.forms.compare import CompareForm
from scheduling.queries.compare import comparable_plans, comparison
from scheduling.queries.problem import problem_of


class ComparedPlanShown(serializers.Serializer[Any]):
    plan = serializers.IntegerField(source="plan.pk")
    served = serializers.IntegerField(source="measures.served", help_text="Queens with a place.")
    requested = serializers.IntegerField(source="measures.requested")
    bound = serializers.IntegerField(allow_null=True, help_text="No plan can serve more, as far as is known.")
    gap_percent = serializers.FloatField(allow_null=True)
    lowest_percent = serializers.FloatField(allow_null=True, help_text="Smallest served share of a member.")
    tenth_percent = serializers.FloatField(allow_null=True, help_text="A tenth of the members have this or less.")
    effective_sources = serializers.FloatField()
    moved = serializers.IntegerField(allow_null=True, help_text="Queens elsewhere than the plan in force told.")
    broken = serializers.ListField(child=serializers.CharField(), help_text="Rules that it breaks by now, in words.")


class ComparedMemberShown(serializers.Serializer[Any]):
    member = serializers.IntegerField(source="member.pk")
    asked = serializers.IntegerField()
    first = serializers.IntegerField()
    second = serializers.IntegerField()
    stay_elsewhere = serializers.IntegerField(help_text="Queens with a place in both, but not the same.")


class ComparedSourceShown(serializers.Serializer[Any]):
    source = serializers.IntegerField(source="source.pk")  # type: ignore[assignment]
    first_percent = serializers.FloatField(help_text="Of all semen of the plan.")
    second_percent = serializers.FloatField()
    target_percent = serializers.FloatField(allow_null=True)


class ComparisonShown(serializers.Serializer[Any]):
    finding = serializers.CharField()
    first = ComparedPlanShown()
    second = ComparedPlanShown()
    losing = ComparedMemberShown(many=True)
    gaining = ComparedMemberShown(many=True)
    moving = ComparedMemberShown(many=True)
    unchanged = serializers.IntegerField(help_text="Members for whom both are the same.")
    sources = ComparedSourceShown(many=True)
    told = serializers.IntegerField(help_text="Queens whose place the plan in force has told.")


class PlanCompareEndpoint(PlanMovesEndpoint):
    """Plans, for the coordinator: worked out, looked at, compared, changed by hand, repaired, published."""

    @extend_schema(
        parameters=[OpenApiParameter("with", OpenApiTypes.INT, required=True, description="The other plan.")],
        responses=ComparisonShown,
    )
    @action(detail=True, methods=["get"])
    def compare(self, request: Request, pk: int) -> Response:
        """Beside another plan of its season, by what is known now. Both are worked out."""
        plan = self.of_id(pk)
        form = CompareForm(
            {"first": plan.pk, "second": request.query_params.get("with")}, plans=comparable_plans(plan.season)
        )
        if not form.is_valid():
            if "first" in form.errors:
                raise Refusal(_("This plan is not worked out, or put aside."), rule="plan_not_comparable")
            raise ValidationError({"with": [str(text) for text in form.errors["second"]]})
        first, second = form.cleaned_data["first"], form.cleaned_data["second"]
        found = comparison(plan.season, first, second, problem_of(plan.season, now=self.now))
        return Response(ComparisonShown(found).data)
