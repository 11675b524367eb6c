"""Addresses of the site: each app brings its own."""

from django.conf import settings
from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path

from accounts.urls.cut_off import LEADS as FROM_ACCOUNTS
from accounts.urls.cut_off import cut_off
from accounts.views.session import admin_sign_in
from breeding.urls.cut_off import LEADS as FROM_BREEDING
from config.worker import away, worker
from scheduling.urls.cut_off import LEADS as FROM_SCHEDULING
from scheduling.views.today import today

handler400 = "accounts.views.troubles.unreadable"
handler500 = "accounts.views.troubles.broke"

urlpatterns: list[URLPattern | URLResolver] = [
    path("", today, name="today"),
    path("sw.js", worker, name="worker"),
    path("", include("config.api")),  # before the pages: programs ask most often, and all of theirs begin alike
    path("", include("accounts.urls")),
    path("", include("breeding.urls")),
    path("", include("scheduling.urls")),
    path("no-signal/", away, name="away"),
    path("admin/login/", admin_sign_in),  # by the one door that is slowed down and asks for the second step
    path("admin/", admin.site.urls),
]
if settings.DEBUG:
    from config.kit import kit

    urlpatterns.append(path("kit/", kit, name="kit"))

urlpatterns += cut_off(urlpatterns, {**FROM_ACCOUNTS, **FROM_BREEDING, **FROM_SCHEDULING})
