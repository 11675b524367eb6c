"""The coordinator's look at every reminder; who is paused, when it is passed on, when one hears of things."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from accounts.access import can_watch_reminders, require
from accounts.http import now_of, tried, tried_with_message, viewer_of_request
from accounts.models import Person
from accounts.services.audit import fields_of
from scheduling.forms.telling import LadderForm, PauseForm, TellingTimesForm
from scheduling.models import Reminder
from scheduling.queries.watch import Watch, not_through, people_of, watch_of
from scheduling.services.fence import reminders_drop, reminders_release
from scheduling.services.resending import delivery_resend
from scheduling.services.telling_wishes import LADDER_FIELDS, ladder_set, reminders_pause, telling_times_set

ONLY_COORDINATORS = gettext_lazy("Coordinators look after everybody's reminders. Yours are under Reminders.")


@require_http_methods(["GET"])
def watch(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_watch_reminders(viewer), ONLY_COORDINATORS)
    found = watch_of(viewer, now=now_of(request))
    context = {"watch": found, "finding": _finding(found), "cooperative": viewer.cooperative}
    return render(request, "scheduling/watch.html", context)


def _finding(found: Watch) -> str:
    if not found.needs_somebody:
        return _("Every reminder got through and was answered")
    return ngettext("%(n)d reminder needs you", "%(n)d reminders need you", found.needs_somebody) % {
        "n": found.needs_somebody
    }


@require_POST
def let_out(request: HttpRequest) -> HttpResponse:
    """What a restored backup holds back: goes out, or has gone out before. One (`pk`) or all."""
    viewer = viewer_of_request(request)
    require(can_watch_reminders(viewer), ONLY_COORDINATORS)
    rows = Reminder.objects.filter(cooperative=viewer.cooperative, held_at__isnull=False)
    if request.POST.get("pk", "").isdigit():
        rows = rows.filter(pk=request.POST["pk"])
    do = reminders_release if request.POST.get("act") == "release" else reminders_drop
    number = do(rows, by=viewer.person, now=now_of(request))
    messages.success(request, ngettext("%(n)d reminder settled.", "%(n)d reminders settled.", number) % {"n": number})
    return redirect("scheduling:reminder_watch")


@require_POST
def resend(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_watch_reminders(viewer), ONLY_COORDINATORS)
    delivery = get_object_or_404(not_through(viewer.cooperative), pk=pk)
    if tried_with_message(request, lambda: delivery_resend(delivery, by=viewer.person, now=now_of(request))):
        messages.success(request, _("It is tried again now."))
    return redirect("scheduling:reminder_watch")


@require_http_methods(["GET", "POST"])
def pause(request: HttpRequest, pk: int) -> HttpResponse:
    """Of somebody of the cooperative, by a coordinator; of oneself, by everybody."""
    viewer, now = viewer_of_request(request), now_of(request)
    require(can_watch_reminders(viewer) or viewer.person.pk == pk, ONLY_COORDINATORS)
    person = get_object_or_404(people_of(viewer.cooperative), pk=pk)
    form = PauseForm(request.POST or None)
    cooperative = viewer.cooperative
    back = "scheduling:reminder_watch" if can_watch_reminders(viewer) else "scheduling:reminders"
    if request.method == "POST" and request.POST.get("act") == "resume":
        reminders_pause(person, until=None, cooperative=cooperative, by=viewer.person, now=now)
        messages.success(request, _("Reminders go out to %(who)s again.") % {"who": person})
        return redirect(back)
    if request.method == "POST" and form.is_valid():
        until = form.moment(person.time_zone or cooperative.time_zone)
        if tried(
            form, lambda: reminders_pause(person, until=until, cooperative=cooperative, by=viewer.person, now=now)
        ):
            messages.success(request, _("Nothing is sent to %(who)s until then.") % {"who": person})
            return redirect(back)
    return render(request, "scheduling/reminder_pause.html", {"form": form, "who": person, "back_name": back})


@require_http_methods(["GET", "POST"])
def ladder(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_watch_reminders(viewer), ONLY_COORDINATORS)
    form = LadderForm(request.POST or None, initial=fields_of(viewer.cooperative, LADDER_FIELDS))
    if request.method == "POST" and form.is_valid():
        minutes = form.cleaned_data
        if tried(form, lambda: ladder_set(viewer.cooperative, minutes=minutes, by=viewer.person, now=now_of(request))):
            messages.success(request, _("Unanswered reminders are passed on at these times from now on."))
            return redirect("scheduling:reminder_watch")
    return render(request, "scheduling/reminder_ladder.html", {"form": form})


@require_http_methods(["GET", "POST"])
def times(request: HttpRequest) -> HttpResponse:
    """When I am told: quiet hours and lead times of the person who looks."""
    viewer = viewer_of_request(request)
    form = TellingTimesForm(request.POST or None, person=viewer.person)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data

        def keep() -> Person:
            return telling_times_set(
                viewer.person,
                leads_min=form.leads_min,
                quiet_from=data["quiet_from"],
                quiet_until=data["quiet_until"],
                cooperative=viewer.cooperative,
                by=viewer.person,
                now=now_of(request),
            )

        if tried(form, keep):
            messages.success(request, _("Your times are kept."))
            return redirect("scheduling:reminders")
    return render(request, "scheduling/reminder_times.html", {"form": form})
