"""The part of this app in /api/v1/."""

from django.urls import path

from accounts.api.members import InvitationEndpoint, MemberEndpoint, PersonEndpoint
from accounts.api.people import ApiaryEndpoint, MeEndpoint
from accounts.api.routes import routes

urlpatterns = [
    path("me/", MeEndpoint.as_view({"get": "show"}), name="me"),
    *routes(
        {
            "members": MemberEndpoint,
            "people": PersonEndpoint,
            "invitations": InvitationEndpoint,
            "apiaries": ApiaryEndpoint,
        }
    ),
]
