"""Long lists come in pages, each with the address of the next: rows that are added meanwhile shift nothing."""

from typing import Any

from django.core.exceptions import ValidationError as BadValue
from django.utils.translation import gettext as _
from rest_framework.exceptions import NotFound, ValidationError
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request

USUAL, MOST = 50, 200


class Pages(CursorPagination):
    page_size = USUAL
    max_page_size = MOST
    page_size_query_param = "page_size"
    offset_cutoff = 1_000_000  # rows with the same value in the field they are ordered by
    ordering = ("pk",)

    def get_page_size(self, request: Request) -> int:
        said = request.query_params.get("page_size")
        if said is None:
            return USUAL
        if not (said.isascii() and said.isdigit() and 1 <= int(said[:6]) <= MOST):
            raise ValidationError({"page_size": [_("A whole number from 1 to %(most)d.") % {"most": MOST}]})
        return int(said)

    def get_ordering(self, request: Request, queryset: Any, view: Any) -> tuple[str, ...]:
        """As asked for; the id decides between equals."""
        ordering = tuple(super().get_ordering(request, queryset, view))
        named = {name.lstrip("-") for name in ordering}
        last = ordering[-1] if ordering else ""
        return ordering if named & {"pk", "id"} else (*ordering, "-pk" if last.startswith("-") else "pk")

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any] | None:
        try:
            return super().paginate_queryset(queryset, request, view=view)
        except (ValueError, TypeError, OverflowError, BadValue):  # a cursor that somebody made up
            raise NotFound(_("This cursor leads nowhere. Begin with the first page.")) from None

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        found = super().get_paginated_response_schema(schema)
        found["required"] = ["next", "previous", "results"]
        return found
