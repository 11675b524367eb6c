"""The seasons of the cooperative and the figures of the trade they work with."""

from typing import Any

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_plan, require
from accounts.api import fields as f
from accounts.api.views import Endpoint, Readable
from accounts.models import Scope
from scheduling.models import Season
from scheduling.queries.season import SettingRow, seasons_seen_by, setting_rows
from scheduling.queries.words import words_of
from scheduling.services.season import season_open, setting_change

SEASONS_ARE_COORDINATORS = gettext_noop("The coordinator opens seasons and sets their figures.")


class SeasonShown(f.Shown):
    class Meta:
        model = Season
        fields = ["id", "year", "starts_on", "ends_on", "closed_at", "even_shares_first", "given_counts", "offer_hours"]


class SeasonMade(f.Given):
    year = f.Whole(min_value=2000, max_value=2200)
    starts_on = f.Day()
    ends_on = f.Day()


class FigureShown(serializers.Serializer[Any]):
    key = serializers.CharField(source="fact.key")
    name = serializers.SerializerMethodField()
    unit = serializers.SerializerMethodField()
    value = f.Number(max_digits=10, decimal_places=3, allow_null=True, help_text="Null: nobody has set it yet.")
    default = f.Number(max_digits=10, decimal_places=3, allow_null=True, source="fact.default")
    is_missing = serializers.BooleanField(help_text="It must be set before a plan can be worked out.")
    changed_at = f.Moment(source="row.changed_at", default=None, allow_null=True)
    reason = serializers.CharField(source="row.reason", default="")

    def get_name(self, row: SettingRow) -> str:
        return words_of(row.fact.label)

    def get_unit(self, row: SettingRow) -> str:
        return words_of(row.fact.unit)


class FiguresShown(serializers.Serializer[Any]):
    figures = FigureShown(many=True)


class FigureGiven(f.Given):
    key = f.Text(max_length=60)
    value = f.Number(max_digits=10, decimal_places=3, allow_null=True, help_text="Null: back to the default.")
    reason = f.Text(max_length=200, required=False, allow_blank=True)


class SeasonEndpoint(Readable, Endpoint):
    """The seasons of the cooperative. The coordinator opens them and sets their figures."""

    shown = SeasonShown
    scope = Scope.PLANNING
    ordering_fields = ("year",)
    ordering = ("-year",)

    def seen(self, viewer: Viewer) -> QuerySet[Season]:
        return seasons_seen_by(viewer)

    def may_change(self, thing: Season) -> bool:
        return can_plan(self.viewer)

    def whose(self, thing: Season) -> str:
        return _(SEASONS_ARE_COORDINATORS)

    @extend_schema(request=SeasonMade, responses={201: SeasonShown})
    def create(self, request: Request) -> Response:
        """Changed figures and the order of priorities carry over from the season before."""
        require(can_plan(self.viewer), _(SEASONS_ARE_COORDINATORS))
        return self.made(season_open(self.viewer.cooperative, **self.given(SeasonMade), **self.facts).pk)

    @extend_schema(responses=FiguresShown)
    @action(detail=True, methods=["get"])
    def figures(self, request: Request, pk: int) -> Response:
        """Every figure with its default and what this season uses."""
        return self._figures(self.of_id(pk))

    @extend_schema(request=FigureGiven, responses=FiguresShown)
    @action(detail=True, methods=["post"], url_path="set-figure", url_name="set-figure")
    def set_figure(self, request: Request, pk: int) -> Response:
        """Use another figure this season; all dates and reminders follow at once."""
        self.change(pk, lambda season, given: setting_change(season, **given, **self.facts), FigureGiven)
        return self._figures(self.of_id(pk))

    def _figures(self, season: Season) -> Response:
        return Response(FiguresShown({"figures": setting_rows(season)}).data)
