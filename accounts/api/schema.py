"""How the endpoints describe themselves: OpenAPI 3 by drf-spectacular, with the answers that all of them share."""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerExtension
from drf_spectacular.openapi import AutoSchema
from rest_framework import serializers

from accounts.api.problems import MEDIA_TYPE

Json = dict[str, Any]


class ProblemPart(serializers.Serializer[Any]):
    field = serializers.CharField(allow_blank=True, help_text="In dots, as in the body; empty: none in particular.")
    detail = serializers.CharField()


class Problem(serializers.Serializer[Any]):
    """Why not, and what to do (RFC 9457)."""

    type = serializers.CharField()
    title = serializers.CharField(help_text="The status in words.")
    status = serializers.IntegerField()
    detail = serializers.CharField(allow_blank=True, help_text="For people.")
    errors: Any = ProblemPart(many=True, required=False)
    rule = serializers.CharField(required=False, help_text="Key of the rule that says no; stays the same.")
    lifted_by = serializers.CharField(required=False, help_text="The role that can lift it.")
    current = serializers.JSONField(required=False, help_text="412: the thing as it is now, ETag in the header.")


SAYS = {
    "400": "The request is not as described.",
    "401": "No key, and nobody signed in.",
    "403": "Not yours to do, or not in the scope of this key.",
    "404": "There is no such thing, or it is not for you to see.",
    "409": "The state of things is against it: full, done before, in progress.",
    "412": "It was changed since you read it.",
    "415": "Bodies are application/json.",
    "422": "A value cannot be, or the Idempotency-Key belongs to another request.",
    "428": "Send If-Match.",
    "429": "Too many requests; Retry-After says how long to wait.",
    "503": "Busy; Retry-After says when to try again.",
}


class Described(AutoSchema):
    def get_operation(self, path: str, path_regex: str, path_prefix: str, method: str, registry: Any) -> Json | None:
        operation: Json | None = super().get_operation(path, path_regex, path_prefix, method, registry)
        if operation is None:
            return None
        self.resolve_serializer(Problem, "response")
        asks = any(one["in"] == "query" and one.get("required") for one in operation.get("parameters", ()))
        for code in sorted({*self._codes(path, method), *(("400", "409") if asks else ())}):
            operation["responses"].setdefault(code, {"$ref": f"#/components/responses/{_name(code)}"})
        if method == "GET" and self._action() == "retrieve":
            operation["responses"]["304"] = {"description": "Not changed since If-None-Match."}
        return operation

    def get_operation_id(self) -> str:
        """`queens_gone`, not `queens_gone_create`."""
        found: str = super().get_operation_id()
        return found.removesuffix("_create") if self._action() != "create" else found

    def get_override_parameters(self) -> Any:
        return [*super().get_override_parameters(), *self._header_parameters()]

    def _action(self) -> str:
        return str(getattr(self.view, "action", ""))

    def _codes(self, path: str, method: str) -> list[str]:
        codes = {"401", "403", "429", "503"}
        is_one = "{" in path
        if is_one or self._is_list_view():
            codes.add("404")
        if self._is_list_view():
            codes.add("400")
        if method != "GET":
            codes |= {"400", "409", "415", "422"}
            if is_one:
                codes.add("412")
            if self._action() in getattr(self.view, "matched", ()):
                codes.add("428")
        return sorted(codes)

    def _header_parameters(self) -> list[Any]:
        from drf_spectacular.utils import OpenApiParameter

        found = []
        is_one = "{" in self.path
        if self.method == "POST":
            found.append(
                OpenApiParameter(
                    "Idempotency-Key",
                    {"type": "string", "minLength": 1, "maxLength": 100, "pattern": "^[!-~]+$"},
                    OpenApiParameter.HEADER,
                    required=self._action() in getattr(self.view, "keyed", ()),
                    description="A key of your own: the same request sent again gets the same answer and does nothing.",
                )
            )
        if self.method != "GET" and is_one:
            found.append(
                OpenApiParameter(
                    "If-Match",
                    {"type": "string"},
                    OpenApiParameter.HEADER,
                    required=self._action() in getattr(self.view, "matched", ()),
                    description="ETag of what you read; 412 when it was changed meanwhile.",
                )
            )
        if self.method == "GET" and self._action() == "retrieve":
            found.append(
                OpenApiParameter("If-None-Match", {"type": "string"}, OpenApiParameter.HEADER, description="An ETag.")
            )
        return found


def shared_answers(result: Json, generator: Any, request: Any, public: bool) -> Json:
    """The answers that endpoints refer to."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    answers = {_name(code): {"description": text, "content": content} for code, text in SAYS.items()}
    result.setdefault("components", {})["responses"] = answers
    return result


def _name(code: str) -> str:
    return f"Problem{code}"


class KeyScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "accounts.api.authentication.KeyAuthentication"
    name = "key"

    def get_security_definition(self, auto_schema: Any) -> Json:
        return {"type": "http", "scheme": "bearer", "description": "A key made under “Programs that act for you”."}


class OnlyWhatIsListed(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    """Bodies take no unknown field, and say so."""

    target_class = "accounts.api.fields.Given"
    match_subclasses = True

    def map_serializer(self, auto_schema: Any, direction: Any) -> Json:
        found: Json = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)
        return {**found, "additionalProperties": False}
