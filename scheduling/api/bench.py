"""The bench record, for those who work there: read only, the bench page writes it."""

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from rest_framework import serializers

from accounts.access import Viewer, can_work_bench, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Readable
from scheduling.models import Co2Treatment, Dose, DroneTally, LotMovement, LotState, SemenLot
from scheduling.queries.sessions import sessions_seen_by

BENCH_ONLY = gettext_noop("The bench record is for those who work at the bench.")


class TallyShown(f.Shown):
    class Meta:
        model = DroneTally
        fields = ["outcome", "drones", "at", "undone_at"]


class MovementShown(f.Shown):
    volume_ul = f.Volume(source="volume_tenths", read_only=True)

    class Meta:
        model = LotMovement
        fields = ["kind", "volume_ul", "other_lot", "reason", "at", "undone_at"]


class LotShown(f.Shown):
    tallies = TallyShown(many=True, read_only=True)
    movements = MovementShown(many=True, read_only=True)

    class Meta:
        model = SemenLot
        fields = [
            "id", "session", "source", "label", "tip", "drones_from_days", "drones_to_days", "opened_at", "state",
            "closed_at", "storage_note", "viability_checked_on", "viability_percent", "semen_batch", "tallies",
            "movements",
        ]  # fmt: skip


class LotFilters(filters.FilterSet):
    session = filters.Id(field_name="session_id")
    source = filters.Id(field_name="source_id")
    state = django_filters.ChoiceFilter(choices=LotState.choices)


class AtBench(Readable, Endpoint):
    def rows(self) -> QuerySet[Any]:
        require(can_work_bench(self.viewer), _(BENCH_ONLY))
        return super().rows()


class LotEndpoint(AtBench):
    """Semen lots with what was tallied and what went in and out. Rows taken back have `undone_at`."""

    shown = LotShown
    filterset_class = LotFilters
    ordering_fields = ("opened_at",)

    def seen(self, viewer: Viewer) -> QuerySet[SemenLot]:
        return SemenLot.objects.filter(session__in=sessions_seen_by(viewer)).order_by("pk")

    def rows(self) -> QuerySet[SemenLot]:
        return super().rows().prefetch_related("tallies", "movements")


class DoseShown(f.Shown):
    volume_ul = f.Volume(source="volume_tenths", read_only=True)
    queen = serializers.IntegerField(source="batch_queen.queen_id", read_only=True)

    class Meta:
        model = Dose
        fields = [
            "id", "place", "batch_queen", "queen", "session", "lot", "volume_ul", "given_at", "leak_back", "resistance",
            "second_planned", "override_reason", "undone_at",
        ]  # fmt: skip


class DoseFilters(filters.FilterSet):
    session = filters.Id(field_name="session_id")
    lot = filters.Id(field_name="lot_id")
    batch_queen = filters.Id(field_name="batch_queen_id")
    taken_back = filters.YesNo(field_name="undone_at", filled=True)


class DoseEndpoint(AtBench):
    """Semen given to queens."""

    shown = DoseShown
    filterset_class = DoseFilters
    ordering_fields = ("given_at",)

    def seen(self, viewer: Viewer) -> QuerySet[Dose]:
        return Dose.objects.filter(session__in=sessions_seen_by(viewer)).order_by("pk")

    def rows(self) -> QuerySet[Dose]:
        return super().rows().select_related("batch_queen")


class Co2Shown(f.Shown):
    class Meta:
        model = Co2Treatment
        fields = [
            "id", "batch_queen", "session", "with_insemination", "started_at", "ended_at", "gas_percent", "undone_at",
        ]  # fmt: skip


class Co2Filters(filters.FilterSet):
    session = filters.Id(field_name="session_id")
    batch_queen = filters.Id(field_name="batch_queen_id")
    taken_back = filters.YesNo(field_name="undone_at", filled=True)


class Co2Endpoint(AtBench):
    """CO2 treatments as they really were."""

    shown = Co2Shown
    filterset_class = Co2Filters
    ordering_fields = ("started_at",)

    def seen(self, viewer: Viewer) -> QuerySet[Co2Treatment]:
        return Co2Treatment.objects.filter(batch_queen__batch__season__cooperative=viewer.cooperative).order_by("pk")
