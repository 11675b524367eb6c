"""Reminders: read, settled, put off."""

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Scope
from scheduling.models import Reminder, ReminderState
from scheduling.queries.reminders import reminders_settled_by, shown_state
from scheduling.services.reminder_rows import (
    reminder_acknowledge,
    reminder_done,
    reminder_let_go,
    reminder_put_off,
    reminder_take_back,
)


class ReminderShown(f.Shown):
    class Meta:
        model = Reminder
        fields = [
            "id", "kind", "subject_type", "subject_id", "stage", "member", "person", "due_at", "useful_until",
            "critical", "title", "why", "link", "state", "replaced_by", "acknowledged_at", "told_at", "ended_at",
        ]  # fmt: skip


class ReminderListed(ReminderShown):
    now = serializers.SerializerMethodField(help_text="By the clock: coming, due, late, acknowledged and so on.")

    class Meta(ReminderShown.Meta):
        fields = [*ReminderShown.Meta.fields, "now"]

    def get_now(self, reminder: Reminder) -> str:
        return shown_state(reminder, now=self.context["view"].now)


class PutOff(f.Given):
    until = f.Moment()


class ReminderFilters(filters.FilterSet):
    state = django_filters.ChoiceFilter(choices=ReminderState.choices)
    kind = django_filters.CharFilter()
    member = filters.Id(field_name="member_id")
    critical = filters.YesNo()
    due_from = filters.Day(field_name="due_at__date", lookup_expr="gte")
    due_until = filters.Day(field_name="due_at__date", lookup_expr="lte")


class ReminderEndpoint(Readable, Endpoint):
    """What you, and the members you act for, are reminded of; everybody's for the coordinator."""

    shown = ReminderShown
    scope = Scope.REMINDERS
    filterset_class = ReminderFilters
    ordering_fields = ("due_at",)

    def seen(self, viewer: Viewer) -> QuerySet[Reminder]:
        return reminders_settled_by(viewer).order_by("pk")

    def get_serializer_class(self) -> type[ReminderShown]:
        return ReminderListed if self.action == "list" else ReminderShown

    def may_change(self, thing: Reminder) -> bool:
        return True

    @extend_schema(responses=ReminderListed(many=True))
    def list(self, request: Request) -> Response:
        return self.page()

    @extend_schema(request=None, responses=ReminderShown)
    @action(detail=True, methods=["post"])
    def done(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda reminder, _given: reminder_done(reminder, **self.facts))

    @extend_schema(request=None, responses=ReminderShown)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: Request, pk: int) -> Response:
        """Seen, and on it: nobody else is told. It stands until it is done."""
        return self.change(pk, lambda reminder, _given: reminder_acknowledge(reminder, **self.facts))

    @extend_schema(request=None, responses=ReminderShown)
    @action(detail=True, methods=["post"], url_path="let-go", url_name="let-go")
    def let_go(self, request: Request, pk: int) -> Response:
        """It need not be done."""
        return self.change(pk, lambda reminder, _given: reminder_let_go(reminder, **self.facts))

    @extend_schema(request=None, responses=ReminderShown)
    @action(detail=True, methods=["post"], url_path="take-back", url_name="take-back")
    def take_back(self, request: Request, pk: int) -> Response:
        """Undo of done, let go or acknowledged."""
        return self.change(pk, lambda reminder, _given: reminder_take_back(reminder, **self.facts))

    @extend_schema(request=PutOff, responses={201: ReminderShown})
    @action(detail=True, methods=["post"], url_path="put-off", url_name="put-off")
    def put_off(self, request: Request, pk: int) -> Response:
        """The answer is the new reminder that stands in its place."""
        made: list[Reminder] = []

        def service(reminder: Reminder, given: Facts) -> None:
            made.append(reminder_put_off(reminder, **self.facts, **given))

        self.change(pk, service, PutOff)
        return self.made(made[0].pk)
