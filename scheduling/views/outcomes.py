"""Outcomes: how well does our bench work turn out, and where does it slip?"""

from collections.abc import Sequence

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from accounts.access import Viewer, can_plan, can_work_bench, require
from accounts.http import today_of, viewer_of_request
from accounts.tables import Cell, Table, table_response
from scheduling.queries.outcome_drones import drones_by_source
from scheduling.queries.outcomes import (
    SMALL,
    OutcomeGroup,
    QueenOutcome,
    by_session,
    groups_of,
    outcomes_of,
    ways_to_group,
)
from scheduling.queries.season import season_in_force
from scheduling.views.outcome_pictures import (
    choice_of,
    control_drawing,
    laying_drawing,
    living_drawing,
    range_words,
)

WAYS = {
    "all": gettext_lazy("All together"),
    "source": gettext_lazy("Source"),
    "dose": gettext_lazy("Dose"),
    "co2": gettext_lazy("CO2"),
    "age": gettext_lazy("Age of the queen"),
    "lot_age": gettext_lazy("Age of the semen"),
    "operator": gettext_lazy("Operator"),
}


def _asked(request: HttpRequest) -> tuple[Viewer, str, bool, list[QueenOutcome], int | None]:
    """Viewer, grouping, whether all seasons, the queens."""
    viewer = viewer_of_request(request)
    by = request.GET.get("by", "all")
    if by not in ways_to_group(viewer):
        by = "all"
    all_seasons = request.GET.get("seasons") == "all"
    season = season_in_force(viewer.cooperative, today=today_of(request))
    season_id = None if all_seasons else (season.pk if season else 0)
    own = request.GET.get("whose") == "own" and can_work_bench(viewer)
    rows = outcomes_of(viewer, season_id=season_id, operator_id=viewer.person.pk if own else None)
    return viewer, by, all_seasons, rows, season_id


@require_safe
def outcomes(request: HttpRequest) -> HttpResponse:
    viewer, by, all_seasons, rows, season_id = _asked(request)
    groups = groups_of(rows, by, viewer)
    together = OutcomeGroup(_("All"), rows)
    choice = choice_of(groups, request.GET.getlist("show"))
    return render(
        request,
        "scheduling/outcomes.html",
        {
            "finding": _finding(together),
            "is_small": 0 < together.known < SMALL,
            "by": by,
            "ways": [(key, WAYS[key]) for key in ways_to_group(viewer)],
            "all_seasons": all_seasons,
            "may_own": can_work_bench(viewer),
            "whose": "own" if request.GET.get("whose") == "own" else "",
            "may_queens": can_work_bench(viewer),
            "groups": [(group, range_words(group.range)) for group in groups],
            "choice": choice,
            "laying": laying_drawing(choice),
            "living": living_drawing(choice),
            "control": control_drawing(by_session(rows)) if can_work_bench(viewer) else None,
            "drones": drones_by_source(viewer, season_id=season_id),
            "rows": rows,
        },
    )


def _finding(together: OutcomeGroup) -> str:
    if together.known:
        return _("%(good)d of %(known)d queens have sealed worker brood") % {
            "good": together.good,
            "known": together.known,
        }
    if together.rows:
        return _("%(queens)d queens inseminated, the outcome of none is known yet") % {"queens": len(together.rows)}
    return _("Nothing to say yet")


@require_safe
def outcomes_csv(request: HttpRequest, table: str) -> HttpResponse:
    """The table of one chart, or of the groups, or one row a queen for those who work at the bench."""
    viewer, by, _all, rows, season_id = _asked(request)
    groups = groups_of(rows, by, viewer)
    lines: Sequence[Sequence[Cell]]
    if table in {"sessions", "queens"}:
        require(can_work_bench(viewer), _("Single days and queens are for bench operators and the coordinator."))
    if table == "groups":
        lines = _group_lines(groups)
    elif table in {"laying", "living", "sessions"}:
        choice = choice_of(groups, request.GET.getlist("show"))
        drawing = {
            "laying": lambda: laying_drawing(choice),
            "living": lambda: living_drawing(choice),
            "sessions": lambda: control_drawing(by_session(rows)),
        }[table]()
        lines = [drawing.table.head, *drawing.table.rows] if drawing else []
    elif table == "drones":
        lines = _drone_lines(viewer, season_id)
    elif table == "queens":
        lines = _queen_lines(rows, viewer)
    else:
        raise Http404
    head, body = (lines[0], lines[1:]) if lines else ([], [])
    return table_response(request, Table(f"outcomes-{table}", head, body))


def _group_lines(groups: Sequence[OutcomeGroup]) -> list[Sequence[Cell]]:
    head = ["group", "queens", "known", "worker_brood", "low", "high", "median_days_to_eggs", "leak_back", "resistance"]
    found: list[Sequence[Cell]] = [head]
    for group in groups:
        low, high = group.range or (None, None)
        days = group.median_days
        found.append(
            [group.name, len(group.rows), group.known, group.good, low, high, days, group.leaked, group.resisted]
        )
    return found


def _drone_lines(viewer: Viewer, season_id: int | None) -> list[Sequence[Cell]]:
    found: list[Sequence[Cell]] = [["source", "lots", "tried", "gave_semen", "ul_per_drone", "low", "high"]]
    for row in drones_by_source(viewer, season_id=season_id):
        low, high = row.volume_range or (None, None)
        found.append([row.name, row.lots, row.tried, row.usable, row.volume or None, low, high])
    return found


def _queen_lines(rows: Sequence[QueenOutcome], viewer: Viewer) -> list[Sequence[Cell]]:
    head = ["queen", "inseminated_on", "session", "operator", "source", "dose_ul", "co2", "age_days", "lot_age_days"]
    head += ["leak_back", "resistance", "worker_brood", "days_laying", "is_laying", "days_alive", "is_gone", "why_lost"]
    head += ["brood_alive", "brood_cells"]
    found: list[Sequence[Cell]] = [head]
    for row in rows:
        named = row.operator and (can_plan(viewer) or row.operator.pk == viewer.person.pk)
        laying, living = row.laying, row.living
        brood = row.brood or (None, None)
        found.append(
            [
                str(row.queen),
                row.inseminated_on,
                str(row.session),
                row.operator.name if named and row.operator else None,
                row.source,
                row.dose_tenths / 10,
                row.co2,
                row.age,
                row.lot_age,
                int(row.leak_back),
                int(row.resistance),
                None if row.is_good is None else int(row.is_good),
                *((None, None) if laying is None else (laying.days, int(laying.is_event))),
                *((None, None) if living is None else (living.days, int(living.is_event))),
                row.why_lost,
                *brood,
            ]
        )
    return found
