"""Members, people with their roles, and invitations. Names are everybody's to read; the rest is the coordinator's."""

from typing import Any

import django_filters
from django.db.models import Prefetch, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, can_manage_people, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Cooperative, Invitation, Member, MemberPerson, Person, Role, RoleGrant, Scope
from accounts.queries.people import (
    invitations_open,
    members_acted_for_by,
    members_seen_by,
    people_managed_by,
    people_of,
)
from accounts.services.handing_over import member_leave_to
from accounts.services.invitations import invitation_again, invitation_end, invitation_make
from accounts.services.members import member_add, member_change, member_person_remove, member_return
from accounts.services.people import person_add, person_join
from accounts.services.roles import roles_set

PEOPLE_ARE_COORDINATORS = gettext_noop("Members, people and roles are the coordinator's work.")


class OfPeople(Readable, Endpoint):
    """Services of people take the cooperative's lock first."""

    scope = Scope.PEOPLE

    def lock(self, thing: Any) -> None:
        Cooperative.objects.select_for_update(of=("self",)).get(pk=self.viewer.cooperative.pk)

    def may_change(self, thing: Any) -> bool:
        return can_manage_people(self.viewer)

    def whose(self, thing: Any) -> str:
        return _(PEOPLE_ARE_COORDINATORS)

    def one(self, pk: int, *, code: int = status.HTTP_200_OK) -> Response:
        """Who is not of the cooperative any more after what was done is not shown."""
        if self.request.method not in SAFE_METHODS and not self.rows().filter(pk=pk).exists():
            return Response(status=status.HTTP_204_NO_CONTENT)
        return super().one(pk, code=code)


class MemberShown(f.Shown):
    class Meta:
        model = Member
        fields = ["id", "name", "left_on"]


class MemberMade(f.Given):
    name = f.Text(max_length=120)


class MemberGiven(MemberMade):
    deputy = f.Thing(lambda viewer: people_of(viewer.cooperative), required=False, allow_null=True)


class MemberLeft(f.Given):
    left_on = f.Day()
    to = f.Thing(members_acted_for_by, required=False, help_text="Who takes over what it has; without it nobody does.")


class MemberEndpoint(OfPeople):
    """The members of the cooperative, by name. Added, changed and ended by the coordinator."""

    shown = MemberShown
    ordering_fields = ("name",)

    def seen(self, viewer: Viewer) -> QuerySet[Member]:
        return members_seen_by(viewer).order_by("pk")

    def may_change(self, thing: Member) -> bool:
        """The deputy is also the member's own to name."""
        return can_manage_people(self.viewer) or (self.action == "partial_update" and can_act_for(self.viewer, thing))

    @extend_schema(request=MemberMade, responses={201: MemberShown})
    def create(self, request: Request) -> Response:
        require(can_manage_people(self.viewer), _(PEOPLE_ARE_COORDINATORS))
        return self.made(member_add(self.viewer.cooperative, **self.given(MemberMade), **self.facts).pk)

    @extend_schema(request=MemberGiven, responses=MemberShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        def service(member: Member, given: Facts) -> None:
            require(can_manage_people(self.viewer) or "name" not in given, _(PEOPLE_ARE_COORDINATORS))
            kept = {"name": member.name, "deputy": member.deputy}
            member_change(member, **{**kept, **given}, **self.facts)

        return self.change(pk, service, MemberGiven)

    @extend_schema(request=MemberLeft, responses=MemberShown)
    @action(detail=True, methods=["post"])
    def leave(self, request: Request, pk: int) -> Response:
        """It left, and whoever takes over gets what it had: both or neither."""
        return self.change(
            pk, lambda member, given: member_leave_to(member, **{"to": None, **given}, **self.facts), MemberLeft
        )

    @extend_schema(request=None, responses=MemberShown)
    @action(detail=True, methods=["post"], url_path="return", url_name="return")
    def come_back(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda member, _given: member_return(member, **self.facts))


class PersonShown(f.Shown):
    roles = serializers.SerializerMethodField()
    members = serializers.SerializerMethodField(help_text="Members they act for.")

    class Meta:
        model = Person
        fields = ["id", "name", "email", "phone", "is_active", "roles", "members"]

    def get_roles(self, person: Any) -> list[str]:
        return sorted(grant.role for grant in person.grants_here)

    def get_members(self, person: Any) -> list[int]:
        return sorted(row.member_id for row in person.members_here)


class Roles(f.Given):
    roles = serializers.ListField(child=f.Choice(choices=Role.choices), help_text="All of them; the rest is withdrawn.")


class ActsFor(f.Given):
    member = f.Thing(members_acted_for_by)


class StoppedActingFor(f.Given):
    member = f.Thing(members_seen_by)


class PersonFilters(filters.FilterSet):
    email = django_filters.CharFilter(field_name="email", lookup_expr="iexact", max_length=254)


class PersonEndpoint(OfPeople):
    """Everybody with a role in the cooperative or acting for one of its members, for the coordinator."""

    shown = PersonShown
    filterset_class = PersonFilters
    ordering_fields = ("name",)
    matched = frozenset({*Endpoint.matched, "roles"})

    def seen(self, viewer: Viewer) -> QuerySet[Person]:
        return people_managed_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Person]:
        require(can_manage_people(self.viewer), _(PEOPLE_ARE_COORDINATORS))
        here = self.viewer.cooperative
        grants = RoleGrant.objects.filter(cooperative=here)
        members = MemberPerson.objects.filter(member__cooperative=here)
        return (
            super()
            .rows()
            .prefetch_related(
                Prefetch("role_grants", grants, to_attr="grants_here"),
                Prefetch("member_persons", members, to_attr="members_here"),
            )
        )

    @extend_schema(request=Roles, responses={200: PersonShown, 204: None})
    @action(detail=True, methods=["put"])
    def roles(self, request: Request, pk: int) -> Response:
        """Exactly these roles from now on. 204: without one they belong to the cooperative no more."""

        def service(person: Person, given: Facts) -> None:
            roles_set(person, **given, cooperative=self.viewer.cooperative, **self.facts)

        return self.change(pk, service, Roles)

    @extend_schema(request=ActsFor, responses=PersonShown)
    @action(detail=True, methods=["post"])
    def join(self, request: Request, pk: int) -> Response:
        """They act for this member too. Twice is once."""
        return self.change(pk, lambda person, given: person_join(given["member"], person, **self.facts), ActsFor)

    @extend_schema(request=StoppedActingFor, responses={200: PersonShown, 204: None})
    @action(detail=True, methods=["post"])
    def part(self, request: Request, pk: int) -> Response:
        """They act for this member no more. 204: then they belong to the cooperative no more."""

        def service(person: Person, given: Facts) -> None:
            member_person_remove(given["member"], person=person, **self.facts)

        return self.change(pk, service, StoppedActingFor)


class InvitationShown(f.Shown):
    class Meta:
        model = Invitation
        fields = ["id", "name", "email", "phone", "member", "roles", "made_at", "expires_at"]


class Invited(f.Given):
    name = f.Text(max_length=120)
    email = serializers.EmailField(max_length=254)
    phone = f.Text(max_length=40, required=False, allow_blank=True)
    member = f.Thing(members_acted_for_by, required=False)
    roles = serializers.ListField(child=f.Choice(choices=Role.choices), required=False)


class InvitationEndpoint(OfPeople):
    """Invitations that were not taken up yet. The link goes by mail alone and is not given out here."""

    shown = InvitationShown
    ordering_fields = ("made_at",)

    def seen(self, viewer: Viewer) -> QuerySet[Invitation]:
        return invitations_open(viewer).order_by("pk")

    def rows(self) -> QuerySet[Invitation]:
        require(can_manage_people(self.viewer), _(PEOPLE_ARE_COORDINATORS))
        return super().rows()

    @extend_schema(request=Invited, responses={201: InvitationShown, 204: None})
    def create(self, request: Request) -> Response:
        """204: whoever signs in with this address already comes in at once, and is told."""
        require(can_manage_people(self.viewer), _(PEOPLE_ARE_COORDINATORS))
        given, here = self.given(Invited), self.viewer.cooperative
        if Person.objects.filter(email__iexact=given["email"]).exists():
            person_add(here, **given, **self.facts)
            return Response(status=status.HTTP_204_NO_CONTENT)
        return self.made(invitation_make(here, **given, by=self.by, now=self.now)[0].pk)

    @extend_schema(request=None, responses=InvitationShown)
    @action(detail=True, methods=["post"])
    def again(self, request: Request, pk: int) -> Response:
        """A new link; the earlier one works no more."""
        return self.change(pk, lambda row, _given: invitation_again(row, by=self.by, now=self.now))

    @extend_schema(request=None, responses={204: None})
    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda row, _given: invitation_end(row, by=self.by, now=self.now))
