"""Where the API answers: the endpoints of each app, its description, and an answer for addresses that lead nowhere."""

from django.urls import include, path, register_converter
from django.urls.converters import StringConverter
from drf_spectacular.views import SpectacularJSONAPIView

from accounts.api.nowhere import Nowhere
from accounts.urls import api as accounts_api
from accounts.views.reference import reference
from breeding.urls import api as breeding_api
from scheduling.urls import api as scheduling_api


class Anything(StringConverter):
    """Any letters at all: those of `path` end at the end of a line, and an address may hold one (%0A)."""

    regex = r"[\s\S]+"


register_converter(Anything, "anything")
v1 = [
    *accounts_api.urlpatterns,
    *breeding_api.urlpatterns,
    *scheduling_api.urlpatterns,
    path("openapi.json", SpectacularJSONAPIView.as_view(), name="openapi"),
    path("", Nowhere.as_view(), name="nowhere"),
    path("<anything:rest>", Nowhere.as_view(), name="nowhere"),
]
urlpatterns = [path("api/", reference, name="api_reference"), path("api/v1/", include((v1, "api")))]
