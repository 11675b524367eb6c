"""Members and persons: the coordinator's pages, and a member's own."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.access import can_act_for, can_manage_people, require
from accounts.forms.people import JoinForm, LeaveForm, MemberChangeForm, MemberForm, RolesForm
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.models import Member, Person, Role
from accounts.queries.people import (
    invitations_open,
    member_rows,
    members_listed,
    members_seen_by,
    members_table,
    people_managed_by,
    people_of_member,
    people_without_member,
)
from accounts.queries.second_step import has_second_step
from accounts.services.handing_over import member_leave_to
from accounts.services.members import member_add, member_change, member_person_remove, member_return
from accounts.services.people import belongs_elsewhere, person_add, person_link_make
from accounts.services.roles import roles_set
from accounts.tables import table_response

ONLY_COORDINATOR = gettext_noop("The coordinator looks after members, persons and roles.")
MEMBERS_A_PAGE = 60
SHOWN_LINK = "shown_link"
SHOWN_INVITATION = "shown_invitation"


def require_coordinator(request: HttpRequest) -> None:
    require(can_manage_people(viewer_of_request(request)), _(ONLY_COORDINATOR))


def member_or_404(request: HttpRequest, pk: int) -> Member:
    """A member on whose page the viewer may look: its own persons and the coordinator."""
    viewer = viewer_of_request(request)
    member: Member = get_object_or_404(members_seen_by(viewer), pk=pk)
    require(can_act_for(viewer, member), _("Only %(member)s and the coordinator see this.") % {"member": member})
    return member


def person_or_404(request: HttpRequest, pk: int) -> Person:
    require_coordinator(request)
    person: Person = get_object_or_404(people_managed_by(viewer_of_request(request)), pk=pk)
    return person


@never_cache
@require_safe
def member_list(request: HttpRequest) -> HttpResponse:
    require_coordinator(request)
    viewer = viewer_of_request(request)
    cooperative = viewer.cooperative
    page = Paginator(members_listed(cooperative), MEMBERS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "accounts/members.html",
        {
            "page": page,
            "rows": member_rows(cooperative, page.object_list),
            "others": people_without_member(cooperative),
            "invitations": [(row, row.expires_at <= now_of(request)) for row in invitations_open(viewer)],
            "link": request.session.pop(SHOWN_INVITATION, None),
            "active": members_listed(cooperative).filter(left_on=None).count(),
        },
    )


@never_cache
@require_safe
def members_csv(request: HttpRequest) -> HttpResponse:
    """The list with how each person is reached, as a table file."""
    require_coordinator(request)
    return table_response(request, members_table(viewer_of_request(request).cooperative))


@require_http_methods(["GET", "HEAD", "POST"])
def member_new(request: HttpRequest) -> HttpResponse:
    require_coordinator(request)
    viewer = viewer_of_request(request)
    form = MemberForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        member = tried(
            form,
            lambda: member_add(viewer.cooperative, **form.cleaned_data, by=viewer.person, now=now_of(request)),
        )
        if member is not None:
            messages.success(request, _("%(member)s is a member. Now add who acts for it.") % {"member": member})
            return redirect("accounts:member", pk=member.pk)
    return render(request, "accounts/member_new.html", {"form": form})


@require_safe
def member(request: HttpRequest, pk: int) -> HttpResponse:
    shown = member_or_404(request, pk)
    return render(
        request,
        "accounts/member.html",
        {
            "member": shown,
            "people": people_of_member(shown),
            "apiaries": shown.apiaries.filter(closed_on__isnull=True),
            "may_manage": can_manage_people(viewer_of_request(request)),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def member_edit(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = member_or_404(request, pk)
    form = MemberChangeForm(request.POST or None, viewer=viewer, member=shown)
    if request.method == "POST" and form.is_valid():
        done = tried(form, lambda: member_change(shown, **form.cleaned_data, by=viewer.person, now=now_of(request)))
        if done is not None:
            messages.success(request, _("%(member)s is kept as you wrote it.") % {"member": done})
            return redirect("accounts:member", pk=pk)
    return render(request, "accounts/member_edit.html", {"form": form, "member": shown})


@require_http_methods(["GET", "HEAD", "POST"])
def member_end(request: HttpRequest, pk: int) -> HttpResponse:
    require_coordinator(request)
    viewer = viewer_of_request(request)
    shown = member_or_404(request, pk)
    initial = {"left_on": shown.left_on or today_of(request)}
    form = LeaveForm(request.POST or None, viewer=viewer, member=shown, initial=initial)
    if request.method == "POST" and form.is_valid():
        given, to = form.cleaned_data, form.cleaned_data["to"]
        done = tried(form, lambda: member_leave_to(shown, **given, by=viewer.person, now=now_of(request)))
        if done is not None:
            text = _("%(member)s has left; %(to)s took over.") if to else _("%(member)s has left; its records stay.")
            messages.success(request, text % {"member": done, "to": to})
            return redirect("accounts:members")
    return render(request, "accounts/member_leave.html", {"form": form, "member": shown})


@require_POST
def member_back(request: HttpRequest, pk: int) -> HttpResponse:
    require_coordinator(request)
    shown = member_or_404(request, pk)
    member_return(shown, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("%(member)s is a member again.") % {"member": shown})
    return redirect("accounts:member", pk=pk)


@require_POST
def person_leaves_member(request: HttpRequest, pk: int, person_pk: int) -> HttpResponse:
    require_coordinator(request)
    shown = member_or_404(request, pk)
    person = get_object_or_404(shown.persons, pk=person_pk)
    member_person_remove(shown, person=person, by=viewer_of_request(request).person, now=now_of(request))
    messages.success(request, _("%(person)s no longer acts for %(member)s.") % {"person": person.name, "member": shown})
    return redirect("accounts:member", pk=pk)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """A person's roles and members. A link for a password is shown here once, right after it was made."""
    shown = person_or_404(request, pk)
    viewer = viewer_of_request(request)
    held = list(shown.role_grants.filter(cooperative=viewer.cooperative).values_list("role", flat=True))
    form = RolesForm(request.POST or None, initial={"roles": held})
    if request.method == "POST" and form.is_valid():
        cooperative, by, now = viewer.cooperative, viewer.person, now_of(request)
        roles = tried(form, lambda: roles_set(shown, **form.cleaned_data, cooperative=cooperative, by=by, now=now))
        if roles is not None:
            messages.success(request, _("The roles of %(person)s are kept.") % {"person": shown.name})
            still_coordinator = shown != by or Role.COORDINATOR in roles
            return redirect("accounts:members" if still_coordinator else "today")
    for_pk, link = request.session.pop(SHOWN_LINK, None) or (None, None)
    return render(
        request,
        "accounts/person.html",
        {
            "person": shown,
            "form": form,
            "members": shown.members.filter(cooperative=viewer.cooperative),
            "join_form": JoinForm(viewer=viewer, person=shown),
            "link": link if for_pk == shown.pk else None,
            "may_forget": shown != viewer.person and not shown.is_staff,
            "may_reset": shown != viewer.person and has_second_step(shown),
            "may_make_link": not (shown.is_staff or shown.is_superuser or belongs_elsewhere(shown, viewer.cooperative)),
        },
    )


@require_POST
def person_join(request: HttpRequest, pk: int) -> HttpResponse:
    shown = person_or_404(request, pk)
    viewer = viewer_of_request(request)
    form = JoinForm(request.POST, viewer=viewer, person=shown)
    if form.is_valid():
        chosen = form.cleaned_data["member"]
        added = tried_with_message(
            request,
            lambda: person_add(
                viewer.cooperative,
                name=shown.name,
                email=shown.email,
                member=chosen,
                by=viewer.person,
                now=now_of(request),
            ),
        )
        if added is not None:
            messages.success(request, _("%(person)s acts for %(member)s.") % {"person": shown.name, "member": chosen})
    return redirect("accounts:person", pk=pk)


@require_POST
def person_link(request: HttpRequest, pk: int) -> HttpResponse:
    shown = person_or_404(request, pk)
    viewer = viewer_of_request(request)
    link = tried_with_message(
        request,
        lambda: person_link_make(shown, cooperative=viewer.cooperative, by=viewer.person, now=now_of(request)),
    )
    if link is not None:
        request.session[SHOWN_LINK] = [shown.pk, link]
    return redirect("accounts:person", pk=pk)
