"""Fields that take what the description says, and nothing that merely looks like it."""

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from functools import cache
from types import SimpleNamespace
from typing import Any, cast

from django.db.models import Model, QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from accounts.access import Viewer
from accounts.models import Cooperative
from accounts.queries.often import asked_often

ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
ISO_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})")
ISO_TIME = re.compile(r"\d{2}:\d{2}(:\d{2})?")
LARGEST = 2_147_483_647  # of the database's integers


class Text(serializers.CharField):
    default_error_messages = {"invalid": _("Not a text.")}

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Whole(serializers.IntegerField):
    """A whole number; a text that looks like one is none."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("max_value", LARGEST)
        kwargs.setdefault("min_value", 0)
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        return super().to_internal_value(data)


class YesNo(serializers.BooleanField):
    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.fail("invalid", input=data)
        return data


class Day(serializers.DateField):
    """A calendar day, 2026-06-09."""

    def to_internal_value(self, value: Any) -> dt.date:
        if not isinstance(value, str) or not ISO_DAY.fullmatch(value):
            self.fail("invalid", format="YYYY-MM-DD")
        return super().to_internal_value(value)


class Clock(serializers.TimeField):
    """A time of day in the cooperative's zone, 14:30."""

    def to_internal_value(self, value: Any) -> dt.time:
        if not isinstance(value, str) or not ISO_TIME.fullmatch(value):
            self.fail("invalid", format="hh:mm")
        return super().to_internal_value(value)


class Moment(serializers.DateTimeField):
    """A moment with its offset from UTC; given back in UTC."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("default_timezone", dt.UTC)
        super().__init__(**kwargs)

    def to_internal_value(self, value: Any) -> dt.datetime:
        if not isinstance(value, str) or not ISO_MOMENT.fullmatch(value):
            self.fail("invalid", format="YYYY-MM-DDThh:mm:ss+hh:mm")
        return super().to_internal_value(value)


class Uuid(serializers.UUIDField):
    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str) or len(data) != 36:
            self.fail("invalid", value=data)
        return super().to_internal_value(data)


class Choice(serializers.ChoiceField):
    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str):
            self.fail("invalid_choice", input=data)
        return super().to_internal_value(data)


@extend_schema_field({"type": "number"})
class Number(serializers.DecimalField):
    """A decimal number, exact inside; in JSON a plain number."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("coerce_to_string", False)
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> Decimal:
        if isinstance(data, bool) or not isinstance(data, int | float):
            self.fail("invalid")
        return super().to_internal_value(data)

    def to_representation(self, value: Any) -> Any:
        return float(super().to_representation(value))


@extend_schema_field({"type": "number", "minimum": 0, "maximum": 100_000, "description": "µl, with one decimal."})
class Volume(serializers.Field[int, Any, float, int]):
    """µl with at most one decimal outside; whole tenths of a µl inside."""

    default_error_messages = {
        "invalid": _("Not a number."),
        "fine": _("Volumes are read to 0.1 µl: 8.5, not 8.55."),
        "range": _("Enter a volume from 0 to 100,000 µl."),
    }

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int | float):
            self.fail("invalid")
        tenths = Decimal(str(data)) * 10
        if not 0 <= tenths <= 1_000_000:
            self.fail("range")
        if tenths != tenths.to_integral_value():
            self.fail("fine")
        return int(tenths)

    def to_representation(self, value: int) -> float:
        return float(Decimal(value) / 10)


@extend_schema_field(OpenApiTypes.INT)
class Thing(serializers.Field[Model, Any, int, Model]):
    """The id of something that the viewer can see; what they cannot see does not exist.

    open_to_all : everybody in the cooperative sees it, so `seen_by` asks the viewer for nothing but the cooperative.
    """

    default_error_messages = {"invalid": _("Not an id."), "missing": _("There is none with the id %(id)s.")}

    def __init__(self, seen_by: Callable[[Viewer], QuerySet[Any]], *, open_to_all: bool = False, **kwargs: Any) -> None:
        self.seen_by = seen_by
        self.open_to_all = open_to_all
        super().__init__(**kwargs)

    def to_internal_value(self, data: Any) -> Model:
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        found = next(iter(self._seen(self.context["view"].viewer, data)), None)
        if found is None:
            raise serializers.ValidationError(str(self.error_messages["missing"]) % {"id": data}, "missing")
        return found  # type: ignore[no-any-return]

    def _seen(self, viewer: Viewer, pk: int) -> Iterable[Any]:
        if self.open_to_all and abs(pk) <= LARGEST:
            return _asked_of_all(self.seen_by)(viewer.cooperative.pk, pk)
        return self.seen_by(viewer).filter(pk=pk).order_by()

    def to_representation(self, value: Any) -> int:
        return int(value.pk)


@cache
def _asked_of_all(seen_by: Callable[[Viewer], QuerySet[Any]]) -> Callable[..., list[Any]]:
    """A list that asks the viewer for more than the cooperative breaks off here."""

    @asked_often
    def of(cooperative: int, pk: int) -> QuerySet[Any]:
        viewer = cast(Viewer, SimpleNamespace(cooperative=Cooperative(pk=cooperative)))
        return seen_by(viewer).filter(pk=pk).order_by()

    return of


class Given(serializers.Serializer[Any]):
    """A body: only the fields that are listed."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            known = {name for name, field in self.fields.items() if not field.read_only}
            unknown = {str(name): [_("There is no such field here.")] for name in data if name not in known}
            if unknown:
                raise serializers.ValidationError(unknown)
        return super().to_internal_value(data)


class Shown(serializers.ModelSerializer[Any]):
    """A row as it is given out. Moments are UTC, decimals are numbers."""

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        field_class, kwargs = super().build_standard_field(field_name, model_field)
        if field_class is serializers.DateTimeField:
            return Moment, kwargs
        if field_class is serializers.DecimalField:
            return Number, kwargs
        return field_class, kwargs
