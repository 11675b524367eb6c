"""What a program can ask for: the description of the API as a page, on which each thing can be tried."""

import json
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator

Json = dict[str, Any]


@dataclass(frozen=True)
class Part:
    """A parameter, or a field of a body."""

    name: str
    place: str
    kind: str
    is_required: bool
    text: str
    choices: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Operation:
    name: str
    method: str
    path: str
    summary: str
    parts: list[Part]
    body: list[Part]
    example: str
    answers: list[tuple[str, str]]


@require_safe
def reference(request: HttpRequest) -> HttpResponse:
    """All there is as a list; what is about one thing (`?about=queens`) whole: everything at once weighs too much."""
    groups, about = described(), request.GET.get("about", "")
    number = sum(len(operations) for operations in groups.values())
    context = {"groups": groups, "number": number, "about": about, "shown": groups.get(about, [])}
    return render(request, "accounts/reference.html", context)


@cache
def described() -> dict[str, list[Operation]]:
    """Operations by what they are about, in the order of the addresses. Worked out once in each web process."""
    whole = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    groups: dict[str, list[Operation]] = defaultdict(list)
    for path, methods in whole["paths"].items():
        for method, operation in methods.items():
            groups[operation["tags"][0]].append(_operation(whole, path, method, operation))
    return dict(groups)


def _operation(whole: Json, path: str, method: str, operation: Json) -> Operation:
    forms: list[Json] = list(operation.get("requestBody", {}).get("content", {}).values())
    body = _resolved(whole, forms[0]["schema"]) if forms else {}
    fields = list(_fields(whole, body))
    wanted = {part.name: _sample(part) for part in fields if part.is_required}
    answers = {code: _resolved(whole, answer) for code, answer in operation["responses"].items()}
    return Operation(
        name=operation["operationId"],
        method=method.upper(),
        path=path,
        summary=operation.get("description", "").split("\n")[0],
        parts=[_parameter(whole, parameter) for parameter in operation.get("parameters", [])],
        body=fields,
        example=json.dumps(wanted, indent=2) if fields else "",
        answers=[(code, answer.get("description", "")) for code, answer in sorted(answers.items())],
    )


def _parameter(whole: Json, said: Json) -> Part:
    form = _resolved(whole, said.get("schema", {}))
    choices = [str(one) for one in form.get("enum", [])]
    return Part(
        said["name"], said["in"], _kind(whole, form), said.get("required", False), said.get("description", ""), choices
    )


def _fields(whole: Json, body: Json) -> Iterator[Part]:
    for name, form in body.get("properties", {}).items():
        found = _resolved(whole, form)
        choices = [str(one) for one in found.get("enum", []) if one]
        text = form.get("description", "") or found.get("description", "").split("\n")[0]
        yield Part(name, "body", _kind(whole, found), name in body.get("required", []), text, choices)


def _kind(whole: Json, form: Json) -> str:
    if form.get("type") == "array":
        return f"[{_kind(whole, _resolved(whole, form.get('items', {})))}]"
    return str(form.get("format") or form.get("type") or "object")


def _sample(part: Part) -> Any:
    if part.choices:
        return part.choices[0]
    samples: dict[str, Any] = {"integer": 1, "number": 1, "boolean": False, "date": "2026-06-09", "time": "09:30"}
    return [] if part.kind.startswith("[") else samples.get(part.kind, "")


def _resolved(whole: Json, form: Json) -> Json:
    """What a reference points to."""
    while "$ref" in form or "allOf" in form:
        if "allOf" in form:
            form = {**form["allOf"][0], **{key: value for key, value in form.items() if key != "allOf"}}
            continue
        found: Any = whole
        for part in form["$ref"].removeprefix("#/").split("/"):
            found = found[part]
        form = {**found, **{key: value for key, value in form.items() if key != "$ref"}}
    return form
