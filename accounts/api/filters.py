"""What a list may be narrowed and ordered by. What is not known is refused: it may be a typing error."""

from collections.abc import Iterable
from typing import Any, ClassVar

import django_filters
from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django_filters.rest_framework import DjangoFilterBackend
from rest_framework.exceptions import ValidationError
from rest_framework.filters import BaseFilterBackend
from rest_framework.request import Request

from accounts.api.fields import ISO_DAY, LARGEST
from accounts.api.pages import Pages

OF_EVERY_LIST = {Pages.cursor_query_param, Pages.page_size_query_param, "ordering"}


class _IdField(forms.IntegerField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(min_value=0, max_value=LARGEST, **kwargs)


class Id(django_filters.NumberFilter):  # type: ignore[misc]
    """A whole number."""

    field_class = _IdField

    def get_max_validator(self) -> None:
        return None


class _DayField(forms.DateField):
    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and value and not ISO_DAY.fullmatch(value):
            raise forms.ValidationError(_("A day looks like 2026-06-09."))
        return super().to_python(value)


class Day(django_filters.DateFilter):  # type: ignore[misc]
    field_class = _DayField


class YesNo(django_filters.ChoiceFilter):  # type: ignore[misc]
    """`true` or `false`. With `filled` it asks whether the field has a value."""

    def __init__(self, *args: Any, filled: bool = False, **kwargs: Any) -> None:
        self.filled = filled
        kwargs["choices"] = [("true", "true"), ("false", "false")]
        super().__init__(*args, **kwargs)

    def filter(self, qs: QuerySet[Any], value: Any) -> QuerySet[Any]:
        if value not in {"true", "false"}:
            return qs
        if self.filled:
            return qs.filter(**{f"{self.field_name}__isnull": value == "false"})
        return qs.filter(**{str(self.field_name): value == "true"})


class Filters(DjangoFilterBackend):  # type: ignore[misc]
    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> Any:
        found = getattr(view, "filterset_class", None)
        known = OF_EVERY_LIST | set(found.base_filters if found else ())
        refuse_unknown(request, known)
        return super().filter_queryset(request, queryset, view)


def refuse_unknown(request: Request, known: Iterable[str]) -> None:
    names = sorted(known)
    unknown = {
        name: [_("There is nothing to narrow by this name. There are: %(names)s.") % {"names": ", ".join(names)}]
        for name in request.query_params
        if name not in names
    }
    twice = {name: [_("Say it once.")] for name, said in request.query_params.lists() if len(said) > 1}
    if unknown or twice:
        raise ValidationError(unknown | twice)


class Ordering(BaseFilterBackend):
    """`ordering=label` or `ordering=-label`, of the fields a view names; only such as are never empty."""

    def get_ordering(self, request: Request, queryset: QuerySet[Any], view: Any) -> tuple[str, ...]:
        said = request.query_params.get("ordering")
        if said is None:
            return tuple(view.ordering)
        if said not in self._choices(view):
            text = _("Order by one of: %(names)s.") % {"names": ", ".join(self._choices(view))}
            raise ValidationError({"ordering": [text]})
        return (said,)

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> QuerySet[Any]:
        return queryset.order_by(*self.get_ordering(request, queryset, view))

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        return [
            {
                "name": "ordering",
                "in": "query",
                "required": False,
                "description": "Which field to order by; with a minus in front, downwards.",
                "schema": {"type": "string", "enum": self._choices(view)},
            }
        ]

    @staticmethod
    def _choices(view: Any) -> list[str]:
        return [name for field in ("id", *view.ordering_fields) for name in (field, f"-{field}")]


class FilterSet(django_filters.FilterSet):  # type: ignore[misc]
    """Base of all: each filter is named, none is made from a model."""

    class Meta:
        fields: ClassVar[list[str]] = []
