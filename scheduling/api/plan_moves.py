"""Plans changed by hand, repaired, and asked what would be, as on the plan board."""

from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_plan, require
from accounts.api import fields as f
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Job, JobState, Scope
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop
from scheduling.api.planning import PLANS_ARE_COORDINATORS, PlanEndpoint, PlanWholeShown, benches_seen_by
from scheduling.forms.what_if import QUESTIONS
from scheduling.models import Placement, Plan
from scheduling.queries.bookings import bookings_seen_by
from scheduling.queries.plans import IN_FORCE, plans_seen_by
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources import sources_seen_by
from scheduling.queries.what_if import KINDS, WhatIf, answers_of
from scheduling.services.plan_ask import repair_ask
from scheduling.services.plan_repair import repair_choose
from scheduling.services.plans import plan_move, plan_move_back, plan_take_out
from scheduling.services.what_if import JOB, what_if_ask, what_if_keep

OTHER_SEASON = gettext_noop("This is not of the season of the plan.")
CHOICES = ("fewest", "balanced", "most")


def placements_seen_by(viewer: Viewer) -> QuerySet[Placement]:
    return Placement.objects.filter(plan__in=plans_seen_by(viewer)).select_related("booking__batch")


class Moved(f.Given):
    booking = f.Thing(bookings_seen_by)
    session = f.Thing(sessions_seen_by, help_text="An open bench day of the plan's season.")
    source = f.Thing(  # type: ignore[assignment]
        sources_seen_by, required=False, help_text="One that the booking takes. Left out: mixed semen."
    )
    queens = f.Whole(min_value=1, max_value=500)
    taken_from = f.Thing(
        placements_seen_by, required=False, help_text="The placement they come from; else they had none."
    )


class TakenOut(f.Given):
    placement = f.Thing(placements_seen_by)


class Repaired(f.Given):
    sessions = serializers.ListField(child=f.Thing(sessions_seen_by), required=False, help_text="Not held after all.")
    sources = serializers.ListField(child=f.Thing(sources_seen_by), required=False, help_text="Can bring nothing more.")


class Chosen(f.Given):
    choice = f.Choice(choices=CHOICES)


class PlanMovesEndpoint(PlanEndpoint):
    """Plans, for the coordinator: worked out, looked at, changed by hand, repaired, published."""

    @extend_schema(request=Moved, responses=PlanWholeShown)
    @action(detail=True, methods=["post"])
    def move(self, request: Request, pk: int) -> Response:
        """Put queens of one booking into a bench day of a sketch. What the checker refuses is refused."""

        def service(plan: Plan, given: Facts) -> None:
            for name in ("booking", "session", "source"):
                if name in given:
                    _of_season(plan, name, given[name])
            _of_plan(plan, "taken_from", given.get("taken_from"), booking=given["booking"])
            plan_move(plan, **given, version=plan.version, **self.facts)

        return self.change(pk, service, Moved)

    @extend_schema(request=TakenOut, responses=PlanWholeShown)
    @action(detail=True, methods=["post"], url_path="take-out", url_name="take-out")
    def take_out(self, request: Request, pk: int) -> Response:
        """The queens of a placement have no place in this sketch any more."""

        def service(plan: Plan, given: Facts) -> None:
            _of_plan(plan, "placement", given["placement"])
            plan_take_out(plan, **given, version=plan.version, **self.facts)

        return self.change(pk, service, TakenOut)

    @extend_schema(request=None, responses=PlanWholeShown)
    @action(detail=True, methods=["post"], url_path="move-back", url_name="move-back")
    def move_back(self, request: Request, pk: int) -> Response:
        """Take the last move back, while nothing else was changed since."""
        return self.change(pk, lambda plan, _given: plan_move_back(plan, **self.facts))

    @extend_schema(request=Repaired, responses={202: PlanWholeShown})
    @action(detail=True, methods=["post"])
    def repair(self, request: Request, pk: int) -> Response:
        """Ask for a repair of the plan in force, without these days and sources. The answer is the sketch to come."""
        made: list[Plan] = []

        def service(plan: Plan, given: Facts) -> None:
            if plan.state not in IN_FORCE:
                raise Refusal(_("Only the plan in force is repaired."), rule="repair_not_in_force")
            for name in ("sessions", "sources"):
                for one in given.get(name, ()):
                    _of_season(plan, name, one)
            made.append(repair_ask(plan.season, **given, **self.facts))

        self.change(pk, service, Repaired)
        return self.one(made[0].pk, code=202)

    @extend_schema(request=Chosen, responses=PlanWholeShown)
    @action(detail=True, methods=["post"])
    def choose(self, request: Request, pk: int) -> Response:
        """Put one choice of a repair into its sketch."""

        def service(plan: Plan, given: Facts) -> None:
            repair_choose(plan, name=given["choice"], version=plan.version, **self.facts)

        return self.change(pk, service, Chosen)


def _of_season(plan: Plan, name: str, thing: Any) -> None:
    if thing.season_id != plan.season_id:
        raise ValidationError({name: [_(OTHER_SEASON)]})


def _of_plan(plan: Plan, name: str, placement: Placement | None, **also: Any) -> None:
    booking = also.get("booking")
    if placement is None:
        return
    if placement.plan_id != plan.pk or (booking is not None and placement.booking_id != booking.pk):
        raise ValidationError({name: [_("This is no placement of it in this plan.")]})


class AnswerShown(serializers.Serializer[Any]):
    name = serializers.ChoiceField(choices=CHOICES)
    served = serializers.IntegerField(help_text="Queens with a place.")
    moved = serializers.IntegerField()
    gain = serializers.IntegerField(help_text="More than the plan asked of.")
    owed = serializers.IntegerField(help_text="More than that plan repaired on the facts as they are.")


class WhatIfShown(f.Shown):
    plan = serializers.SerializerMethodField()
    change = serializers.SerializerMethodField(help_text="As it was asked, its figures as they are kept.")
    problem = serializers.SerializerMethodField(help_text="Why there is no answer.")
    answers = serializers.SerializerMethodField()

    class Meta:
        model = Job
        fields = ["id", "state", "done_share", "requested_at", "finished_at", "plan", "change", "problem", "answers"]

    def get_plan(self, job: Job) -> int:
        return int(job.arguments["plan"])

    def get_change(self, job: Job) -> dict[str, Any]:
        return dict(job.arguments["change"])

    def get_problem(self, job: Job) -> str:
        return str(job.problem or "")

    @extend_schema_field(AnswerShown(many=True))
    def get_answers(self, job: Job) -> list[dict[str, Any]]:
        view = self.context["view"]
        if view.action == "list" or job.state != JobState.READY:
            return []
        plan = plans_seen_by(view.viewer).select_related("season__cooperative").filter(pk=job.arguments["plan"]).first()
        if plan is None:
            return []
        try:
            found = answers_of(job, plan, WhatIf(plan.season, job.arguments["change"]), now=view.now)
        except Refusal:  # what it was about is gone
            return []
        return [dict(AnswerShown(one).data) for one in found]


class Asked(f.Given):
    plan = f.Thing(plans_seen_by, help_text="A sketch, or the plan in force.")
    kind = f.Choice(choices=tuple(KINDS))
    session = f.Thing(sessions_seen_by, required=False, help_text="limits, drones")
    bench = f.Thing(benches_seen_by, required=False, help_text="session")
    source = f.Thing(sources_seen_by, required=False, help_text="cap, drones")  # type: ignore[assignment]
    day = f.Day(required=False, help_text="session")
    operator_minutes = f.Whole(required=False, max_value=1440, help_text="limits")
    places = f.Whole(required=False, max_value=500, help_text="limits")
    collect_drones = f.Whole(required=False, max_value=5000, help_text="limits")
    drones = f.Whole(required=False, min_value=1, max_value=5000, help_text="drones")
    percent = f.Number(max_digits=5, decimal_places=2, required=False, help_text="level; cap (left out: no cap)")
    dose_ul = f.Number(max_digits=4, decimal_places=1, required=False, help_text="dose")


class Kept(f.Given):
    choice = f.Choice(choices=CHOICES)


class WhatIfEndpoint(Readable, Endpoint):
    """What would be if one fact were another. Nothing of the season is changed before an answer is kept."""

    shown = WhatIfShown
    scope = Scope.PLANNING
    ordering = ("-requested_at", "-pk")

    def seen(self, viewer: Viewer) -> QuerySet[Job]:
        return Job.objects.filter(cooperative=viewer.cooperative, kind=JOB)

    def rows(self) -> QuerySet[Job]:
        require(can_plan(self.viewer), _(PLANS_ARE_COORDINATORS))
        return super().rows()

    def may_change(self, thing: Job) -> bool:
        return can_plan(self.viewer)

    @extend_schema(request=Asked, responses={202: WhatIfShown})
    def create(self, request: Request) -> Response:
        """Ask; read it until its `state` is `ready` or `stopped`. While the same is worked out, that is the answer."""
        require(can_plan(self.viewer), _(PLANS_ARE_COORDINATORS))
        given = self.given(Asked)
        plan, kind = given.pop("plan"), given.pop("kind")
        return self.one(what_if_ask(plan, _change(plan, kind, given), **self.facts).pk, code=202)

    @extend_schema(request=None, responses=WhatIfShown)
    @action(detail=True, methods=["post"])
    def stop(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda job, _given: job_ask_stop(job, **self.facts))

    @extend_schema(request=Kept, responses={201: PlanWholeShown})
    @action(detail=True, methods=["post"])
    def keep(self, request: Request, pk: int) -> Response:
        """Change the fact and keep this choice as a sketch to check, both or nothing."""
        made: list[Plan] = []
        self.change(pk, lambda job, given: made.append(what_if_keep(job, name=given["choice"], **self.facts)), Kept)
        plan = plans_seen_by(self.viewer).filter(pk=made[0].pk).first()
        if plan is None:
            raise Http404
        return Response(
            PlanWholeShown(plan, context=self.get_serializer_context()).data,
            status=201,
            headers={"Location": f"/api/v1/plans/{plan.pk}/"},
        )


def _change(plan: Plan, kind: str, given: Facts) -> dict[str, Any]:
    """Read by the forms of the page, so that the same is possible."""
    names = {"dose_ul": "tenths"}
    said = {f"{kind}-{names.get(name, name)}": _said(value) for name, value in given.items()}
    form = QUESTIONS[kind](said, season=plan.season)  # type: ignore[arg-type]
    unknown = [name for name in given if names.get(name, name) not in form.fields]
    if unknown:
        raise ValidationError({name: [_("This says nothing about it.")] for name in unknown})
    if not form.is_valid():
        back = {**{inside: outside for outside, inside in names.items()}, "__all__": "non_field_errors"}
        raise ValidationError(
            {back.get(name, name): [str(text) for text in texts] for name, texts in form.errors.items()}
        )
    return form.change


def _said(value: Any) -> str:
    return str(value.pk) if hasattr(value, "pk") else str(value)
