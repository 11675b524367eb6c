"""The page of all parts at the root, and the names that the shell links to."""

from django.http import HttpRequest, HttpResponse
from django.urls import include, path

from config.kit import kit


def empty(request: HttpRequest) -> HttpResponse:
    return HttpResponse("")


names = ("sign_in", "role", "settings", "more", "sign_out", "help", "language")
accounts = [path(f"{name}/", empty, name=name) for name in names]
urlpatterns = [
    path("", kit, name="today"),
    path("kit/", kit, name="kit"),
    path("people/", include((accounts, "accounts"))),
    path("season/", include(([path(f"{name}/", empty, name=name) for name in ("lines", "search")], "scheduling"))),
]
