"""Keys of programs that act for oneself."""

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts.forms.tokens import TokenForm
from accounts.http import now_of, tried, viewer_of_request
from accounts.models import ApiToken, Scope
from accounts.services.tokens import token_end, token_make


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def tokens(request: HttpRequest) -> HttpResponse:
    """The answer to making one is the only page that ever shows the key."""
    viewer, now = viewer_of_request(request), now_of(request)
    form = TokenForm(request.POST or None)
    made, key = None, ""
    if request.method == "POST" and form.is_valid():
        done = tried(form, lambda: token_make(viewer, **form.cleaned_data, now=now))
        if done is not None:
            (made, key), form = done, TokenForm()
    words = dict(Scope.choices)
    live = _own(request).filter(ended_at=None).select_related("cooperative")
    rows = [
        (token, [words[scope] for scope in token.scopes], token.expires_at is not None and token.expires_at <= now)
        for token in live
    ]
    several = len({token.cooperative_id for token in live}) > 1
    context = {"form": form, "made": made, "key": key, "rows": rows, "several": several}
    return render(request, "accounts/tokens.html", context, status=422 if form.errors else 200)


@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    token = get_object_or_404(_own(request), pk=pk)
    token_end(token, now=now_of(request))
    messages.success(request, _("%(name)s can do nothing any more.") % {"name": token.name})
    return redirect("accounts:tokens")


def _own(request: HttpRequest) -> QuerySet[ApiToken]:
    """One's own; nobody else's, whatever they are."""
    return ApiToken.objects.filter(person=viewer_of_request(request).person)
