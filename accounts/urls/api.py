"""The part of this app in /api/v1/."""

from django.urls import path

from accounts.api.people import ApiaryEndpoint, MeEndpoint, MemberEndpoint
from accounts.api.routes import routes

urlpatterns = [
    path("me/", MeEndpoint.as_view({"get": "show"}), name="me"),
    *routes({"members": MemberEndpoint, "apiaries": ApiaryEndpoint}),
]
