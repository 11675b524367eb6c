"""The score sheet of one visit, and corrections of single scores."""

import datetime as dt

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, today_of, tried_with_message, viewer_of_request
from accounts.paging import LongPaginator
from breeding.forms.scores import CorrectScoreForm, RoundForm, ScoreSheetForm
from breeding.models import Trait
from breeding.queries.records import current
from breeding.queries.stock import colonies_called, colonies_to_score, heading_on, traits_of
from breeding.services.evaluation.nightly import counted_words
from breeding.services.scores import score_correct, score_restore, score_withdraw, visit_record
from breeding.views.shared import colony_or_404, score_or_404, tried_on

COLONIES_ON_A_SHEET = 200  # more than a round takes in: members see all of theirs, who has more narrows them


def _next_trait(traits: list[Trait], only: Trait | None) -> Trait | None:
    if only is None:
        return None
    after = traits.index(only) + 1
    return traits[after] if after < len(traits) else None


@require_http_methods(["GET", "HEAD", "POST"])
def scores(request: HttpRequest, pk: int) -> HttpResponse:
    """All traits of one visit, or with `?trait=` one trait a screen."""
    viewer = viewer_of_request(request)
    shown = colony_or_404(request, pk, to_change=True)
    traits = list(traits_of(viewer.cooperative))
    only = next((trait for trait in traits if trait.key == request.GET.get("trait")), None)
    day = _day(request.GET.get("on", "")) or today_of(request)
    form = ScoreSheetForm(request.POST or None, traits=[only] if only else traits, initial={"scored_on": day})
    if request.method == "POST" and form.is_valid():
        day = form.cleaned_data["scored_on"]
        written = tried_on(
            lambda: visit_record(
                shown, scored_on=day, observations=form.observations(), by=viewer.person, now=now_of(request)
            ),
            form,
        )
        if written is not None:
            text = ngettext("%(number)s score written down.", "%(number)s scores written down.", len(written))
            counted = counted_words(viewer.cooperative, now=now_of(request))
            messages.success(request, f"{text % {'number': len(written)}} {counted}")
            following = _next_trait(traits, only)
            if following is not None and "next" in request.POST:
                address = reverse("breeding:scores", args=[pk])
                return redirect(f"{address}?trait={following.key}&on={day.isoformat()}")
            return redirect("breeding:colony", pk=pk)
    return render(
        request,
        "breeding/scores.html",
        {
            "form": form,
            "colony": shown,
            "heading": heading_on(shown, day),
            "traits": traits,
            "only": only,
            "following": _next_trait(traits, only),
            "day": day,
            "counted": counted_words(viewer.cooperative, now=now_of(request)),
            "there": current(shown.scores.filter(scored_on=day)).select_related("trait"),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def score_sheet(request: HttpRequest) -> HttpResponse:
    """The sheet of a round through the own apiaries: seen once, it opens and keeps scores without a signal."""
    viewer, now = viewer_of_request(request), now_of(request)
    colonies, text = colonies_to_score(viewer), request.GET.get("q", "").strip()[:60]
    found = colonies_called(colonies, text) if text else colonies
    page = LongPaginator(found, COLONIES_ON_A_SHEET, along_index=True).get_page(request.GET.get("page"))
    wanted = request.POST.get("colony") or request.GET.get("colony", "")
    one = colonies.filter(pk=int(wanted)).first() if wanted.isdecimal() and len(wanted) < 10 else None
    shown = [*page.object_list] if one is None or one in page.object_list else [one, *page.object_list]
    initial = {"scored_on": today_of(request), "colony": one.pk if one is not None else None}
    traits = list(traits_of(viewer.cooperative))
    form = RoundForm(request.POST or None, traits=traits, colonies=colonies, shown=shown, initial=initial)
    if request.method == "POST" and form.is_valid():
        day, colony = form.cleaned_data["scored_on"], form.cleaned_data["colony"]
        written = tried_on(
            lambda: visit_record(colony, scored_on=day, observations=form.observations(), by=viewer.person, now=now),
            form,
        )
        if written is not None:
            text = ngettext("%(number)s score written down.", "%(number)s scores written down.", len(written))
            messages.success(request, f"{colony}: {text % {'number': len(written)}}")
            return redirect(f"{request.path}?{address.urlencode()}" if (address := _round(request)) else request.path)
    return render(
        request,
        "breeding/score_sheet.html",
        {
            "form": form,
            "page": page,
            "text": text,
            "colonies": bool(shown),
            "counted": counted_words(viewer.cooperative, now=now),
        },
    )


def _round(request: HttpRequest) -> QueryDict:
    """What the sheet was narrowed to, without the one colony it was opened for."""
    address = request.GET.copy()
    address.pop("colony", None)
    return address


@require_http_methods(["GET", "HEAD", "POST"])
def correct(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    score = score_or_404(request, pk)
    form = CorrectScoreForm(request.POST or None, score=score)
    if request.method == "POST" and form.is_valid():
        seen = form.trait.observation()
        done = seen and tried_on(
            lambda: score_correct(
                score,
                value=seen.value,
                part=seen.part,
                whole=seen.whole,
                method=seen.method,
                hours=seen.hours,
                entry=seen.entry,
                note=form.cleaned_data["note"],
                by=viewer.person,
                now=now_of(request),
            ),
            form,
        )
        if done is not None:
            messages.success(request, _("Corrected; the earlier value stays readable."))
            return redirect("breeding:colony", pk=score.colony_id)
    return render(request, "breeding/score_correct.html", {"form": form, "score": score})


@require_POST
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    score = score_or_404(request, pk)
    if tried_with_message(request, lambda: score_withdraw(score, by=viewer.person, now=now_of(request))):
        undo = reverse("breeding:score_restore", args=[pk])
        messages.success(request, _("The score does not count any more."), extra_tags=f"undo:{undo}")
    return redirect("breeding:colony", pk=score.colony_id)


@require_POST
def restore(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    score = score_or_404(request, pk)
    if tried_with_message(request, lambda: score_restore(score, by=viewer.person, now=now_of(request))):
        messages.success(request, _("The score counts again."))
    return redirect("breeding:colony", pk=score.colony_id)


def _day(text: str) -> dt.date | None:
    try:
        return parse_date(text)
    except ValueError:
        return None
