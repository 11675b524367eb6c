"""The bench log: what programs at the bench (a scale, a syringe pump, a tablet of one's own) write into the record."""

import json
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_work_bench, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Readable
from accounts.models import Scope
from scheduling.api.bench import BENCH_ONLY, AtBench
from scheduling.forms.entries import MOST_ENTRIES, batch_read
from scheduling.models import BenchEntry, BenchPlace, BenchSession, EntryState, PlaceState
from scheduling.queries.bench import bench_sessions
from scheduling.services.bench_entries import entries_take, entry_again, entry_let_be
from scheduling.services.entry_log import Sent


class BenchPlaceShown(f.Shown):
    dose_ul = f.Volume(source="dose_tenths", read_only=True)

    class Meta:
        model = BenchPlace
        fields = [
            "id", "session", "position", "booking", "batch_queen", "source", "pool", "dose_ul", "co2_before",
            "is_second", "state",
        ]  # fmt: skip


class PlaceFilters(filters.FilterSet):
    session = filters.Id(field_name="session_id")
    state = django_filters.ChoiceFilter(choices=PlaceState.choices)


class PlaceEndpoint(AtBench):
    """Places at the bench in their order, with the queen each is for as soon as she is known."""

    shown = BenchPlaceShown
    filterset_class = PlaceFilters
    ordering_fields = ("position",)

    def seen(self, viewer: Viewer) -> QuerySet[BenchPlace]:
        return BenchPlace.objects.filter(session__in=bench_sessions(viewer)).order_by("pk")


class BenchEntryShown(f.Shown):
    class Meta:
        model = BenchEntry
        fields = [
            "id", "session", "device", "number", "order", "kind", "facts", "at", "by", "received_at", "state", "rule",
            "words", "on_record", "settled_at", "settled_by", "settled_why",
        ]  # fmt: skip


class EntryGiven(f.Given):
    id = f.Uuid(help_text="Made by you. Sent twice, kept once.")
    number = f.Whole(min_value=1, help_text="Order on the device, from 1 without a gap: later ones wait for it.")
    kind = f.Text(max_length=40)
    facts = serializers.DictField(required=False)
    at = f.Moment(help_text="By the device's clock.")
    offset_ms = serializers.IntegerField(required=False, allow_null=True, help_text="Server minus device, if known.")


class EntriesGiven(f.Given):
    session = f.Thing(bench_sessions)
    device = f.Uuid(help_text="One of your own for each device and person.")
    sent_at = f.Moment(help_text="Now, by the device's clock.")
    entries = serializers.ListField(child=EntryGiven(), min_length=1, max_length=MOST_ENTRIES)


class EntryTaken(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    state = serializers.ChoiceField(choices=EntryState.choices)
    rule = serializers.CharField()
    words = serializers.CharField(help_text="Why it needs a look.")


class EntriesTaken(serializers.Serializer[Any]):
    server_at = f.Moment()
    entries = EntryTaken(many=True)


class WhyAgain(f.Given):
    reason = f.Text(
        max_length=160, required=False, allow_blank=True, help_text="Sets a rule aside; needed once closed."
    )


class WhyLetBe(f.Given):
    reason = f.Text(max_length=160)


class BenchEntryFilters(filters.FilterSet):
    session = filters.Id(field_name="session_id")
    state = django_filters.ChoiceFilter(choices=EntryState.choices)


class BenchEntryEndpoint(Readable, Endpoint):
    """Entries of the bench log, for those who work there. What a rule refuses needs a look and is never lost."""

    shown = BenchEntryShown
    scope = Scope.BENCH
    filterset_class = BenchEntryFilters
    ordering_fields = ("received_at",)
    ordering = ("received_at", "pk")
    lookup_value_converter = "uuid"

    def seen(self, viewer: Viewer) -> QuerySet[BenchEntry]:
        return BenchEntry.objects.filter(session__in=bench_sessions(viewer))

    def rows(self) -> QuerySet[BenchEntry]:
        require(can_work_bench(self.viewer), _(BENCH_ONLY))
        return super().rows().select_related("session__season__cooperative", "session__bench")

    def may_change(self, thing: BenchEntry) -> bool:
        return can_work_bench(self.viewer)

    def lock(self, thing: BenchEntry) -> None:
        BenchSession.objects.select_for_update(of=("self",)).get(pk=thing.session_id)

    @extend_schema(request=EntriesGiven, responses=EntriesTaken)
    def create(self, request: Request) -> Response:
        """Up to 200 at once. Answered when all are kept; each then says whether it was taken, waits or needs a look."""
        require(can_work_bench(self.viewer), _(BENCH_ONLY))
        given = self.given(EntriesGiven)
        data: Any = request.data
        said = {name: data[name] for name in ("device", "sent_at", "entries")}
        try:
            batch = batch_read(json.dumps({**said, "person": self.by.pk}).encode())
        except ValueError as error:
            raise ValidationError(str(error)) from None
        sent = [Sent(one.id, one.number, one.kind, one.facts, one.device_at, one.offset_ms) for one in batch.entries]
        rows = entries_take(given["session"], device=batch.device, sent=sent, sent_at=batch.sent_at, **self.facts)
        return Response(EntriesTaken({"server_at": self.now, "entries": rows}).data)

    @extend_schema(request=WhyAgain, responses=BenchEntryShown)
    @action(detail=True, methods=["post"])
    def again(self, request: Request, pk: Any) -> Response:
        """Take an entry in that needs a look, or waits for one that never came."""
        return self.change(
            pk, lambda entry, given: entry_again(entry, **{"reason": "", **given}, **self.facts), WhyAgain
        )

    @extend_schema(request=WhyLetBe, responses=BenchEntryShown)
    @action(detail=True, methods=["post"], url_path="let-be", url_name="let-be")
    def let_be(self, request: Request, pk: Any) -> Response:
        """The record stands as it is; the entry stays in the log with the reason."""
        return self.change(pk, lambda entry, given: entry_let_be(entry, **given, **self.facts), WhyLetBe)
