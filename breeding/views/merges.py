"""Queens entered twice: found, looked at side by side, made one, made two again; or told apart."""

from django.contrib import messages
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_merge, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.queries.people import members_seen_by
from breeding.forms.merges import MergeForm, PairForm, rows_side_by_side
from breeding.labels import LONGEST_ALIKE
from breeding.models import Queen, QueenMerge
from breeding.queries.duplicates import duplicate_pairs, merges_of, pairs_apart
from breeding.queries.references import references
from breeding.queries.stock import labels_to_offer
from breeding.services.apart import queens_apart_withdraw, queens_tell_apart
from breeding.services.merge_checks import merge_obstacles
from breeding.services.merge_values import merged
from breeding.services.merges import queen_merge, queen_unmerge
from breeding.views.shared import queen_or_404

NOT_YOURS = gettext_noop("Only the owner of both, a breeder and the coordinator may say that two rows are one queen.")


@require_safe
def duplicates(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    named = request.GET.get("second")
    form = PairForm(request.GET if named else None, viewer=viewer, initial={"first": request.GET.get("first", "")})
    if form.is_bound and form.is_valid():
        pair = form.cleaned_data
        return redirect("breeding:queen_merge", pk=pair["first"].pk, other_pk=pair["second"].pk)
    found = duplicate_pairs(viewer, after=request.GET.get("after", "")[:LONGEST_ALIKE])
    context = {
        "pairs": found.pairs,
        "next": found.next,
        "merges": merges_of(viewer),
        "apart": pairs_apart(viewer),
        "form": form,
        "labels": labels_to_offer(viewer),
    }
    return render(request, "breeding/duplicates.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def merge(request: HttpRequest, pk: int, other_pk: int) -> HttpResponse:
    viewer, now = viewer_of_request(request), now_of(request)
    kept, other = _pair(request, pk, other_pk)
    form = MergeForm(request.POST or None, kept=kept, other=other)
    if request.method == "POST" and form.is_valid():
        done = tried(form, lambda: queen_merge(kept, other, take=form.take(), by=viewer.person, now=now))
        if done is not None:
            undo = reverse("breeding:queen_unmerge", args=[done.pk])
            text = _("%(other)s and %(kept)s are one queen now. The next evaluation counts her so.")
            said = text % {"other": done.other_label, "kept": done.kept}
            messages.success(request, said, extra_tags=f"undo:{undo}")
            return redirect("breeding:queen", pk=pk)
    context = {
        "kept": kept,
        "other": other,
        "form": form,
        "rows": rows_side_by_side(kept, other),
        "counts": _counts(kept, other),
        "obstacles": [] if form.errors else merge_obstacles(kept, other, merged(kept, other, form.take()), now=now),
    }
    return render(request, "breeding/merge.html", context, status=422 if form.errors else 200)


@require_POST
def apart(request: HttpRequest, pk: int, other_pk: int) -> HttpResponse:
    (first, second), by = _pair(request, pk, other_pk), viewer_of_request(request).person
    if tried_with_message(request, lambda: queens_tell_apart(first, second, by=by, now=now_of(request))):
        undo = reverse("breeding:queens_apart_undo", args=[pk, other_pk])
        said = _("%(first)s and %(second)s stay two queens.") % {"first": first, "second": second}
        messages.success(request, said, extra_tags=f"undo:{undo}")
    return redirect("breeding:duplicates")


@require_POST
def apart_undo(request: HttpRequest, pk: int, other_pk: int) -> HttpResponse:
    first, second = _pair(request, pk, other_pk)
    queens_apart_withdraw(first, second, by=viewer_of_request(request).person, now=now_of(request))
    said = _("%(first)s and %(second)s are to be looked at again.") % {"first": first, "second": second}
    messages.success(request, said)
    return redirect("breeding:duplicates")


@require_POST
def unmerge(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    rows = QueenMerge.objects.filter(cooperative=viewer.cooperative).select_related("kept__owner")
    row = get_object_or_404(rows, pk=pk)
    other_owner = members_seen_by(viewer).filter(pk=row.other["owner_id"]).first()
    owners = [owner for owner in (row.kept.owner, other_owner) if owner is not None]
    require(can_merge(viewer, *owners), _(NOT_YOURS))
    done = tried_with_message(request, lambda: queen_unmerge(row, by=viewer.person, now=now_of(request)))
    if done is not None:
        messages.success(request, _("%(label)s is a queen of her own again.") % {"label": done.other_label})
    return redirect("breeding:duplicates")


def _pair(request: HttpRequest, pk: int, other_pk: int) -> tuple[Queen, Queen]:
    first, second = queen_or_404(request, pk), queen_or_404(request, other_pk)
    require(can_merge(viewer_of_request(request), first.owner, second.owner), _(NOT_YOURS))
    return first, second


def _counts(kept: Queen, other: Queen) -> list[tuple[str, int, int]]:
    """What hangs on each of the two; kinds that hang on neither are left out, and merges that were undone."""
    found = []
    for one in references():
        undone = Q(undone_at__isnull=False) if one.model is QueenMerge else Q(pk__in=[])
        mine, hers = (one.rows(queen.pk).exclude(undone).count() for queen in (kept, other))
        found.append((one.words, mine, hers))
    return [row for row in found if row[1] or row[2]]
