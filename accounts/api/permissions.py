"""Denied unless allowed: somebody, in a cooperative, and a key that may do this. Whose thing it is decides the view."""

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from accounts.models import ApiToken, Scope


class InCooperative(BasePermission):
    message = _("You belong to no cooperative here.")

    def has_permission(self, request: Request, view: Any) -> bool:
        return getattr(request, "viewer", None) is not None


class InScope(BasePermission):
    """Browsers may do all that their person may; a key, what was chosen when it was made."""

    def has_permission(self, request: Request, view: Any) -> bool:
        if not isinstance(request.auth, ApiToken):
            return True
        wanted = Scope.READ if request.method in SAFE_METHODS else view.scope
        self.message = _("This key may not do that. It takes one with “%(scope)s”.") % {"scope": wanted}
        return wanted in request.auth.scopes
