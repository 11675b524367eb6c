"""Queens with their matings, lines, shared batches of semen."""

from typing import Any

import django_filters
from django.db.models import Prefetch, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, can_set_breeding, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Cooperative
from accounts.queries.people import members_acted_for_by
from breeding.models import (
    Heading,
    Line,
    Mating,
    MatingKind,
    MatingShare,
    Queen,
    QueenStatus,
    SemenBatch,
    SemenBatchShare,
)
from breeding.queries.stock import lines_of, own_colonies_without_queen, queens_seen_by, semen_batches_of
from breeding.services.introductions import queen_introduce
from breeding.services.lines import line_add, line_rename
from breeding.services.matings import Share, mating_correct, mating_record, mating_withdraw
from breeding.services.queens import queen_back, queen_correct, queen_gone

ONLY_OWN = gettext_noop("Only {owner} and the coordinator may change this.")
LINES_ARE_BREEDERS = gettext_noop("Breeders and the coordinator add and rename lines.")


def lines_seen_by(viewer: Viewer) -> QuerySet[Line]:
    return lines_of(viewer.cooperative)


def semen_batches_seen_by(viewer: Viewer) -> QuerySet[SemenBatch]:
    return semen_batches_of(viewer.cooperative)


class ShareShown(f.Shown):
    volume_ul = f.Volume(source="volume_tenths", allow_null=True, read_only=True)

    class Meta:
        model = MatingShare
        fields = ["drone_queen", "volume_ul", "drones"]


class BatchShareShown(ShareShown):
    class Meta(ShareShown.Meta):
        model = SemenBatchShare  # type: ignore[assignment]


class MatingShown(f.Shown):
    total_ul = f.Volume(source="total_tenths", allow_null=True, read_only=True)
    shares = ShareShown(many=True, read_only=True)

    class Meta:
        model = Mating
        fields = [
            "queen", "kind", "mated_on", "total_ul", "is_complete", "drones", "shared_batch", "station_mother",
            "station_queens", "place", "shares", "recorded_at",
        ]  # fmt: skip


class QueenShown(f.Shown):
    colony = serializers.SerializerMethodField(help_text="The colony she heads now.")
    mating = MatingShown(allow_null=True, read_only=True)

    class Meta:
        model = Queen
        fields = [
            "id", "label", "owner", "mother", "line", "origin", "birth_year", "emerged_on", "mark_number", "status",
            "gone_on", "gone_reason", "note", "created_at", "colony", "mating",
        ]  # fmt: skip

    def get_colony(self, queen: Any) -> int | None:
        return next((heading.colony_id for heading in queen.headings_now), None)

    def to_representation(self, instance: Any) -> Any:
        """A queen without a mating has none; the relation would raise."""
        if not hasattr(instance, "mating"):
            instance.mating = None
        return super().to_representation(instance)


class ShareGiven(f.Given):
    drone_queen = f.Thing(queens_seen_by)
    volume_ul = f.Volume(required=False, allow_null=True)
    drones = f.Whole(required=False, allow_null=True, min_value=1)


class MatingGiven(f.Given):
    kind = f.Choice(choices=MatingKind.choices)
    mated_on = f.Day(required=False, allow_null=True)
    total_ul = f.Volume(required=False, allow_null=True)
    drones = f.Whole(required=False, allow_null=True, min_value=1)
    shared_batch = f.Thing(semen_batches_seen_by, required=False, allow_null=True)
    station_mother = f.Thing(queens_seen_by, required=False, allow_null=True)
    station_queens = f.Whole(required=False, allow_null=True, min_value=1, max_value=32767)
    place = f.Text(max_length=80, required=False, allow_blank=True)
    shares = ShareGiven(many=True, required=False)


class QueenGiven(f.Given):
    label = f.Text(max_length=40)  # type: ignore[assignment]
    mother = f.Thing(queens_seen_by, required=False, allow_null=True)
    line = f.Thing(lines_seen_by, required=False, allow_null=True)
    origin = f.Text(max_length=60, required=False, allow_blank=True)
    birth_year = f.Whole(required=False, allow_null=True, max_value=9999)
    emerged_on = f.Day(required=False, allow_null=True)
    mark_number = f.Text(max_length=8, required=False, allow_blank=True)
    note = f.Text(max_length=2000, required=False, allow_blank=True)


class QueenMade(QueenGiven):
    owner = f.Thing(members_acted_for_by, help_text="A member that you act for.")
    mating = MatingGiven(required=False)
    colony = f.Thing(own_colonies_without_queen, required=False, help_text="One of yours without a queen.")
    since = f.Day(required=False, help_text="When she came to that colony; without it: today.")


class QueenGone(f.Given):
    gone_on = f.Day()
    reason = f.Text(max_length=120, required=False, allow_blank=True)


class QueenFilters(filters.FilterSet):
    label = django_filters.CharFilter(lookup_expr="icontains")
    owner = filters.Id(field_name="owner_id")
    mother = filters.Id(field_name="mother_id")
    line = filters.Id(field_name="line_id")
    birth_year = filters.Id()
    status = django_filters.ChoiceFilter(choices=QueenStatus.choices)
    mated = filters.YesNo(field_name="mating", filled=True)


class QueenEndpoint(Readable, Endpoint):
    """The stock of the cooperative. Everybody sees it; a queen's own member and the coordinator change her."""

    shown = QueenShown
    filterset_class = QueenFilters
    ordering_fields = ("label", "created_at")
    matched = frozenset({*Endpoint.matched, "mating_put"})

    def seen(self, viewer: Viewer) -> QuerySet[Queen]:
        return queens_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Queen]:
        now = Prefetch("headings", Heading.objects.filter(until__isnull=True), to_attr="headings_now")
        rows = super().rows().select_related("owner", "mating", "cooperative", "mother", "line")
        return rows.prefetch_related(now, Prefetch("mating__shares", MatingShare.objects.select_related("drone_queen")))

    def may_change(self, thing: Queen) -> bool:
        return can_act_for(self.viewer, thing.owner)

    def whose(self, thing: Queen) -> str:
        return _(ONLY_OWN).format(owner=thing.owner)

    @extend_schema(request=QueenMade, responses={201: QueenShown})
    def create(self, request: Request) -> Response:
        mine = members_acted_for_by(self.viewer)
        require(mine.exists(), _("Queens are registered by members, for their own apiary business."))
        given = self.given(QueenMade)
        owner, colony, since = given.pop("owner"), given.pop("colony", None), given.pop("since", None)
        mating = mating_arguments(given.pop("mating")) if "mating" in given else None
        queen = queen_introduce(owner, queen=given, mating=mating, colony=colony, since=since, **self.facts)
        return self.made(queen.pk)

    @extend_schema(request=QueenGiven, responses=QueenShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda queen, given: queen_correct(queen, **self.facts, **given), QueenGiven)

    @extend_schema(request=QueenGone, responses=QueenShown)
    @action(detail=True, methods=["post"])
    def gone(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda queen, given: queen_gone(queen, **self.facts, **given), QueenGone)

    @extend_schema(request=None, responses=QueenShown)
    @action(detail=True, methods=["post"])
    def back(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda queen, _given: queen_back(queen, **self.facts))

    @extend_schema(operation_id="queens_mating_put", request=MatingGiven, responses=QueenShown)
    @action(detail=True, methods=["put"], url_path="mating", url_name="mating")
    def mating_put(self, request: Request, pk: int) -> Response:
        """Record her mating, or correct it: what was recorded before stays in the history."""

        def service(queen: Queen, given: Facts) -> None:
            recorded = Mating.objects.filter(queen=queen).select_related("queen__cooperative").first()
            facts = mating_arguments(given)
            if recorded is None:
                mating_record(queen, **self.facts, **facts)
            else:
                mating_correct(recorded, **self.facts, **facts)

        return self.change(pk, service, MatingGiven)

    @extend_schema(request=None, responses=QueenShown)
    @action(detail=True, methods=["post"], url_path="withdraw-mating")
    def withdraw_mating(self, request: Request, pk: int) -> Response:
        """It never happened."""

        def service(queen: Queen, _given: Facts) -> None:
            recorded = Mating.objects.filter(queen=queen).select_related("queen__cooperative").first()
            if recorded is not None:
                mating_withdraw(recorded, **self.facts)

        return self.change(pk, service)


def mating_arguments(given: Facts) -> dict[str, Any]:
    """Arguments of `mating_record` and `mating_correct`."""
    facts = dict(given)
    facts["total_tenths"] = facts.pop("total_ul", None)
    facts["shares"] = [
        Share(share["drone_queen"], share.get("volume_ul"), share.get("drones")) for share in given.get("shares", ())
    ]
    return facts


class LineShown(f.Shown):
    class Meta:
        model = Line
        fields = ["id", "name"]


class LineGiven(f.Given):
    name = f.Text(max_length=60)


class LineEndpoint(Readable, Endpoint):
    """Breeding lines. Breeders and the coordinator add and rename them; registering a queen adds hers too."""

    shown = LineShown
    ordering_fields = ("name",)

    def may_change(self, thing: Line) -> bool:
        return can_set_breeding(self.viewer)

    def whose(self, thing: Line) -> str:
        return _(LINES_ARE_BREEDERS)

    def lock(self, thing: Line) -> None:
        Cooperative.objects.select_for_update(of=("self",)).get(pk=thing.cooperative_id)

    @extend_schema(request=LineGiven, responses={201: LineShown})
    def create(self, request: Request) -> Response:
        """The line of this name: the one that is there, or a new one."""
        require(can_set_breeding(self.viewer), _(LINES_ARE_BREEDERS))
        return self.made(line_add(self.viewer.cooperative, **self.given(LineGiven), **self.facts).pk)

    @extend_schema(request=LineGiven, responses=LineShown)
    def partial_update(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda line, given: line_rename(line, **given, **self.facts), LineGiven)

    def seen(self, viewer: Viewer) -> QuerySet[Line]:
        return lines_seen_by(viewer).order_by("pk")


class SemenBatchShown(f.Shown):
    shares = BatchShareShown(many=True, read_only=True)

    class Meta:
        model = SemenBatch
        fields = ["id", "label", "made_on", "shares"]


class SemenBatchEndpoint(Readable, Endpoint):
    """Mixed semen that several queens were inseminated with."""

    shown = SemenBatchShown

    def seen(self, viewer: Viewer) -> QuerySet[SemenBatch]:
        return semen_batches_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[SemenBatch]:
        return super().rows().prefetch_related("shares")
