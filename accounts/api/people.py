"""Oneself, and apiaries."""

from typing import Any

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Readable
from accounts.models import Apiary, ApiToken
from accounts.queries.people import apiaries_seen_by, members_acted_for_by, members_seen_by
from accounts.services.apiaries import FIELDS, apiary_add, apiary_change, apiary_close, apiary_reopen


class MemberRef(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()


class MeShown(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()
    cooperative = MemberRef()
    time_zone = serializers.CharField(help_text="Of the cooperative: calendar days are days there.")
    roles = serializers.ListField(child=serializers.CharField())
    members = MemberRef(many=True, help_text="Those you act for.")
    scopes = serializers.ListField(
        child=serializers.CharField(), allow_null=True, help_text="Of the key; null for a browser."
    )


class MeEndpoint(Endpoint):
    """Who you are here."""

    shown = MeShown
    pagination_class = None
    filter_backends = ()

    @extend_schema(operation_id="me", responses=MeShown, filters=False)
    def show(self, request: Request) -> Response:
        viewer = self.viewer
        members = members_seen_by(viewer).filter(pk__in=viewer.member_ids)
        token = request.auth
        return Response(
            {
                "id": viewer.person.pk,
                "name": viewer.person.name,
                "cooperative": {"id": viewer.cooperative.pk, "name": viewer.cooperative.name},
                "time_zone": viewer.cooperative.time_zone,
                "roles": sorted(viewer.roles),
                "members": [{"id": member.pk, "name": member.name} for member in members],
                "scopes": token.scopes if isinstance(token, ApiToken) else None,
            }
        )


class ApiaryShown(f.Shown):
    class Meta:
        model = Apiary
        fields = ["id", "member", "name", "place", "registration_number", "time_zone", "closed_on", "created_at"]


class ApiaryGiven(f.Given):
    name = f.Text(max_length=80)
    place = f.Text(max_length=120, required=False, allow_blank=True)
    registration_number = f.Text(max_length=60, required=False, allow_blank=True)
    time_zone = f.Text(max_length=64, required=False, allow_blank=True, help_text="Empty: the cooperative's.")


class ApiaryMade(ApiaryGiven):
    member = f.Thing(members_acted_for_by, help_text="One that you act for.")


class ApiaryClosed(f.Given):
    closed_on = f.Day()


class ApiaryFilters(filters.FilterSet):
    member = filters.Id(field_name="member_id")
    closed = filters.YesNo(field_name="closed_on", filled=True)


class ApiaryEndpoint(Readable, Endpoint):
    """Your apiaries; all of the cooperative for the coordinator."""

    shown = ApiaryShown
    filterset_class = ApiaryFilters
    ordering_fields = ("name", "created_at")

    def seen(self, viewer: Viewer) -> QuerySet[Apiary]:
        return apiaries_seen_by(viewer).order_by("pk")

    def may_change(self, thing: Apiary) -> bool:
        return can_act_for(self.viewer, thing.member)

    @extend_schema(request=ApiaryMade, responses={201: ApiaryShown})
    def create(self, request: Request) -> Response:
        mine = members_acted_for_by(self.viewer)
        require(mine.exists(), _("You act for no member, so there is nobody to add an apiary for."))
        given = self.given(ApiaryMade)
        return self.made(apiary_add(**given, **self.facts).pk)

    @extend_schema(request=ApiaryGiven, responses=ApiaryShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        def service(apiary: Apiary, given: Any) -> None:
            kept = {name: getattr(apiary, name) for name in FIELDS}
            apiary_change(apiary, **{**kept, **given}, **self.facts)

        return self.change(pk, service, ApiaryGiven)

    @extend_schema(request=ApiaryClosed, responses=ApiaryShown)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda apiary, given: apiary_close(apiary, **given, **self.facts), ApiaryClosed)

    @extend_schema(request=None, responses=ApiaryShown)
    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda apiary, _given: apiary_reopen(apiary, **self.facts))
