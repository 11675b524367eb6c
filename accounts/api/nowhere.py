"""Addresses under /api/v1/ that are none: the same 404 as for things that are not there."""

from typing import Any

from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.views import APIView


@extend_schema(exclude=True)
class Nowhere(APIView):
    """Anonymous visitors learn nothing: they get 401 first."""

    permission_classes = (IsAuthenticated,)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        raise Http404
