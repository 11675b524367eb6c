"""Bench days as those see them who work there: begun, closed, corrected by an addition."""

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

from accounts.access import Viewer, can_work_bench
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.views import Facts
from accounts.models import Scope
from accounts.refusals import Refusal
from scheduling.api.bench import BENCH_ONLY, AtBench
from scheduling.forms.bench_correct import KINDS, kinds_of
from scheduling.models import BenchSession, SessionState
from scheduling.queries.bench import bench_sessions
from scheduling.services.bench_session import open_ends, session_close, session_start


class BenchSessionShown(f.Shown):
    class Meta:
        model = BenchSession
        fields = [
            "id", "season", "bench", "day", "operator", "places", "state", "cautions_read_at", "cautions_read_by",
            "opened_at", "closed_at", "closed_by", "current_tip", "note",
        ]  # fmt: skip


class BenchSessionWholeShown(BenchSessionShown):
    open_ends = serializers.SerializerMethodField(help_text="While it runs: what stands in the way of closing.")
    can_be_corrected = serializers.SerializerMethodField(help_text="Once it is closed: what `correct` takes as `what`.")

    class Meta(BenchSessionShown.Meta):
        fields = [*BenchSessionShown.Meta.fields, "open_ends", "can_be_corrected"]

    def get_open_ends(self, session: BenchSession) -> list[str]:
        return open_ends(session) if session.state == SessionState.RUNNING else []

    def get_can_be_corrected(self, session: BenchSession) -> list[str]:
        return list(kinds_of(session)) if session.state == SessionState.CLOSED else []


class Started(f.Given):
    cautions_read = f.YesNo(help_text="Whoever works there has read the cautions on the session's page.")
    nitrogen_shown = f.YesNo(
        required=False, help_text="The caution on liquid nitrogen among them: needed where semen is in store."
    )


class Closed(f.Given):
    reason_for_rest = f.Text(
        max_length=160, required=False, allow_blank=True, help_text="Needed when a lot does not add up."
    )


class Corrected(f.Given):
    what = f.Choice(choices=tuple(KINDS))
    facts = serializers.DictField(
        child=f.Text(max_length=200, allow_blank=True), help_text="As the page of corrections asks for them, as texts."
    )
    reason = f.Text(max_length=160)


class BenchSessionFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    bench = filters.Id(field_name="bench_id")
    state = django_filters.ChoiceFilter(choices=SessionState.choices)


class BenchSessionEndpoint(AtBench):
    """Bench sessions for those who work there. A closed one is never rewritten: a correction is an addition."""

    shown = BenchSessionWholeShown
    scope = Scope.BENCH
    filterset_class = BenchSessionFilters
    ordering_fields = ("day",)

    def seen(self, viewer: Viewer) -> QuerySet[BenchSession]:
        return bench_sessions(viewer).order_by("pk")

    def get_serializer_class(self) -> Any:
        return BenchSessionShown if self.action == "list" else BenchSessionWholeShown

    def may_change(self, thing: BenchSession) -> bool:
        return can_work_bench(self.viewer)

    def whose(self, thing: BenchSession) -> str:
        return _(BENCH_ONLY)

    @extend_schema(responses=BenchSessionShown(many=True))
    def list(self, request: Request) -> Response:
        return self.page()

    @extend_schema(request=Started, responses=BenchSessionWholeShown)
    @action(detail=True, methods=["post"])
    def start(self, request: Request, pk: int) -> Response:
        """Bench work begins, on the day itself. Started twice is started once."""
        return self.change(pk, lambda session, given: session_start(session, **given, **self.facts), Started)

    @extend_schema(request=Closed, responses=BenchSessionWholeShown)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: int) -> Response:
        """Lots must add up, or the reason is given. Matings are written, follow-ups set, places freed."""
        return self.change(pk, lambda session, given: session_close(session, **given, **self.facts), Closed)

    @extend_schema(request=Corrected, responses=BenchSessionWholeShown)
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, pk: int) -> Response:
        """Add a correction to a closed session: matings, balance and what is due follow it."""
        return self.change(pk, self._correct, Corrected)

    def _correct(self, session: BenchSession, given: Facts) -> None:
        if session.state != SessionState.CLOSED:
            raise Refusal(_("The session is not closed: enter it at the bench."), rule="session_not_closed")
        kinds = kinds_of(session)
        if given["what"] not in kinds:
            raise Refusal(_("There is nothing of this kind at the session."), rule="nothing_to_correct")
        said = {**given["facts"], "reason": given["reason"]}
        form = kinds[given["what"]][1](said, session=session, initial={"lot": said.get("lot")})
        unknown = sorted(set(given["facts"]) - (set(form.fields) - {"reason"}))
        if unknown:
            raise ValidationError({name: _("This is not known here.") for name in unknown})
        if not form.is_valid():
            raise ValidationError({name: [str(text) for text in texts] for name, texts in form.errors.items()})
        form.correct(**self.facts)
