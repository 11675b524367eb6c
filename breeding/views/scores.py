"""The score sheet of one visit, and corrections of single scores."""

import datetime as dt

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, today_of, tried_with_message, viewer_of_request
from breeding.forms.scores import CorrectScoreForm, ScoreSheetForm
from breeding.models import Trait
from breeding.queries.records import current
from breeding.queries.stock import heading_on, traits_of
from breeding.services.evaluation.nightly import counted_words
from breeding.services.scores import score_correct, score_restore, score_withdraw, visit_record
from breeding.views.shared import colony_or_404, score_or_404, tried_on


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
