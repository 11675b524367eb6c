"""Forgetting a person: by the coordinator, or oneself."""

from django.contrib import messages
from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from accounts.forms.people import ForgetForm, ForgetSelfForm
from accounts.http import now_of, tried, viewer_of_request
from accounts.queries.people import members_left_alone_without
from accounts.services.forgetting import person_forget, person_forget_self
from accounts.views.people import person_or_404


@require_http_methods(["GET", "HEAD", "POST"])
def person(request: HttpRequest, pk: int) -> HttpResponse:
    shown = person_or_404(request, pk)
    viewer = viewer_of_request(request)
    form, name = ForgetForm(request.POST or None), shown.name
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: person_forget(shown, cooperative=viewer.cooperative, by=viewer.person, now=now_of(request)),
        )
        if done is not None:
            messages.success(request, _("%(person)s is forgotten.") % {"person": name})
            return redirect("accounts:members")
    return render(
        request,
        "accounts/person_forget.html",
        {"form": form, "person": shown, "left_alone": members_left_alone_without(shown)},
    )


@sensitive_post_parameters()
@require_http_methods(["GET", "HEAD", "POST"])
def oneself(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    form = ForgetSelfForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        done = tried(
            form,
            lambda: person_forget_self(
                viewer.person,
                current=form.cleaned_data["current"],
                cooperative=viewer.cooperative,
                now=now_of(request),
            ),
        )
        if done is not None:
            logout(request)
            messages.success(request, _("You are forgotten here. What you entered stays, without your name."))
            return redirect("accounts:sign_in")
    return render(
        request,
        "accounts/forget_self.html",
        {"form": form, "person": viewer.person, "left_alone": members_left_alone_without(viewer.person)},
    )
