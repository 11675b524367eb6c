"""Addresses of the site: each app brings its own."""

from django.conf import settings
from django.contrib import admin
from django.urls import include, path

from config.worker import worker
from scheduling.views.today import today

urlpatterns = [
    path("", today, name="today"),
    path("sw.js", worker, name="worker"),
    path("", include("accounts.urls")),
    path("", include("breeding.urls")),
    path("", include("scheduling.urls")),
    path("admin/", admin.site.urls),
]
if settings.DEBUG:
    from config.kit import kit

    urlpatterns.append(path("kit/", kit, name="kit"))
