"""Who asks: a program with a key, or a signed-in person's browser (with the CSRF token)."""

from django.utils.translation import gettext as _
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from accounts.http import now_of
from accounts.models import ApiToken, Person
from accounts.services.tokens import token_of_key


class KeyAuthentication(BaseAuthentication):
    """`Authorization: Bearer bt_…`. It stands first, so that nobody at all gets 401."""

    def authenticate(self, request: Request) -> tuple[Person, ApiToken] | None:
        said = get_authorization_header(request).split()
        if not said or said[0].lower() != b"bearer":
            return None
        found = token_of_key(said[1].decode("latin-1"), now=now_of(request)) if len(said) == 2 else None
        if found is None:
            raise AuthenticationFailed(_("This key does not work: it is wrong, has run out or was ended."))
        token, request._request.viewer = found  # type: ignore[attr-defined]
        return token.person, token

    def authenticate_header(self, request: Request) -> str:
        return 'Bearer realm="Broodtide"'
