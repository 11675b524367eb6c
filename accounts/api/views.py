"""What every endpoint is made of: who asks, lists in pages, ETags, changes under a lock, requests sent twice."""

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from typing import Any, ClassVar, cast

from django.db import transaction
from django.db.models import Model, QuerySet
from django.http import Http404
from django.http.request import RawPostDataException
from django.utils.http import parse_etags
from django.utils.translation import gettext as _
from rest_framework import serializers, status
from rest_framework.exceptions import ParseError, ValidationError
from rest_framework.permissions import SAFE_METHODS
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from accounts.access import Viewer, require
from accounts.api.kept import given_to, shown_by
from accounts.api.problems import Conflict, KeyReused, PreconditionFailed, PreconditionRequired
from accounts.http import now_of, today_of, viewer_of_request
from accounts.models import ApiAnswer, Cooperative, Person, Scope
from accounts.services.api_answers import InProgress, OtherRequest, answer_begin, answer_keep, answer_let_go

Facts = Mapping[str, Any]
GOOD_KEY = re.compile(r"[!-~]{1,100}")


class _Replay(Exception):  # noqa: N818 - an answer, not an error
    def __init__(self, answer: ApiAnswer) -> None:
        self.answer = answer


class Endpoint(GenericViewSet[Any]):
    """One kind of thing. `seen` is its list as the viewer may see it; nothing else is ever loaded from."""

    scope: ClassVar[str] = Scope.STOCK
    shown: ClassVar[type[serializers.BaseSerializer[Any]]]
    ordering: ClassVar[tuple[str, ...]] = ("pk",)
    ordering_fields: ClassVar[tuple[str, ...]] = ()
    keyed: ClassVar[frozenset[str]] = frozenset()  # actions that want an Idempotency-Key
    matched: ClassVar[frozenset[str]] = frozenset({"partial_update", "update", "destroy"})  # that want If-Match
    lookup_value_converter = "int"
    _answer: ApiAnswer | None = None

    # Who asks, and when
    @property
    def viewer(self) -> Viewer:
        return viewer_of_request(self.request)

    @property
    def facts(self) -> dict[str, Any]:
        """The last arguments of every service."""
        return {"by": self.viewer.person, "now": now_of(self.request)}

    @property
    def by(self) -> Person:
        return self.viewer.person

    @property
    def now(self) -> Any:
        return now_of(self.request)

    @property
    def today(self) -> Any:
        return today_of(self.request)

    # What there is
    def seen(self, viewer: Viewer) -> QuerySet[Any]:
        raise NotImplementedError

    def rows(self) -> QuerySet[Any]:
        """`seen` with what the answer shows of its neighbours."""
        return self.seen(self.viewer)

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):  # the description knows no viewer
            meta = getattr(self.shown, "Meta", None)
            return cast("QuerySet[Any]", meta.model.objects.none() if meta else Cooperative.objects.none())
        return self.rows()

    def get_serializer_class(self) -> Any:
        return self.shown

    def of_id(self, pk: int) -> Any:
        found = self.rows().filter(pk=pk).first()
        if found is None:
            raise Http404
        return found

    def may_change(self, thing: Any) -> bool:
        """Whether the viewer may do this to it; those who may not get 403 with `whose(thing)`."""
        return False

    def whose(self, thing: Any) -> str:
        return _("This is not yours to change.")

    def lock(self, thing: Any) -> None:
        """Hold it until the end of the transaction, in the order its services take locks."""
        type(thing)._default_manager.select_for_update(of=("self",)).get(pk=thing.pk)

    # Answers
    def page(self, rows: QuerySet[Any] | None = None) -> Response:
        found = self.paginate_queryset(self.filter_queryset(self.rows() if rows is None else rows))
        assert found is not None
        return self.get_paginated_response([self._shown(one) for one in found])

    def one(self, pk: int, *, code: int = status.HTTP_200_OK) -> Response:
        return self._one(self.of_id(pk), code=code)

    def _one(self, thing: Any, *, code: int) -> Response:
        data, etag = self._as_shown(thing)
        known = parse_etags(self.request.headers.get("If-None-Match", ""))
        if code == 200 and self.request.method in SAFE_METHODS and (etag in known or "*" in known):
            return Response(status=status.HTTP_304_NOT_MODIFIED, headers={"ETag": etag})
        return Response(data, status=code, headers={"ETag": etag})

    def made(self, pk: int, *, thing: Any = None) -> Response:
        """`thing`: where it is at hand as `of_id` would read it."""
        code = status.HTTP_201_CREATED
        answer = self.one(pk, code=code) if thing is None else self._one(thing, code=code)
        prefix = self.request.path.split("/api/v1/")[1].split("/")[0]
        answer["Location"] = f"/api/v1/{prefix}/{pk}/"
        return answer

    def given(self, body: type[serializers.BaseSerializer[Any]], *, partial: bool = False) -> dict[str, Any]:
        """The body, checked for its form."""
        return given_to(body, self.request.data, self.get_serializer_context(), partial=partial)

    def change(
        self, pk: int, service: Callable[[Any, Facts], Any], body: type[serializers.BaseSerializer[Any]] | None = None
    ) -> Response:
        """Do something to one thing: 404, 403, 428, 400, then under its lock 412, then the service."""
        thing = self.of_id(pk)
        require(self.may_change(thing), self.whose(thing))
        self._match_given()
        facts = self.given(body, partial=self.action == "partial_update") if body else self._nothing_given()
        if self.action == "partial_update" and not facts:
            raise ValidationError(_("Say what is to be changed."))
        with transaction.atomic():
            self.lock(thing)
            fresh = self.of_id(pk)
            self._match(fresh)
            service(fresh, facts)
        return self.one(pk) if self.action != "destroy" else Response(status=status.HTTP_204_NO_CONTENT)

    def _nothing_given(self) -> dict[str, Any]:
        if self.request.data:
            raise ValidationError(_("Nothing is to be said here: leave the body empty."))
        return {}

    def _shown(self, thing: Model) -> Any:
        return shown_by(self.get_serializer_class(), thing, self.get_serializer_context())

    def _as_shown(self, thing: Model) -> tuple[Any, str]:
        data = self._shown(thing)
        digest = hashlib.sha256(JSONRenderer().render(data)).hexdigest()
        return data, f'"{digest[:32]}"'

    # Changed meanwhile?
    def _match_given(self) -> None:
        if self.action in self.matched and "If-Match" not in self.request.headers:
            text = _("Send If-Match with the ETag of what you read, so that nobody's change is lost.")
            raise PreconditionRequired(text)

    def _match(self, thing: Model) -> None:
        said = self.request.headers.get("If-Match")
        if said is None or said.strip() == "*":
            return
        data, etag = self._as_shown(thing)
        if etag not in parse_etags(said):
            text = _("Somebody changed this meanwhile. Look at it as it is now, then try again.")
            raise PreconditionFailed(text, current=data, etag=etag)

    # Sent twice?
    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if request.method == "POST":
            self._begin(request)

    def _begin(self, request: Request) -> None:
        key = request.headers.get("Idempotency-Key")
        if key is None:
            if self.action in self.keyed:
                raise ValidationError(
                    {"Idempotency-Key": [_("Send this header with a key of your own, so that a repeat does nothing.")]}
                )
            return
        if not GOOD_KEY.fullmatch(key):
            raise ValidationError({"Idempotency-Key": [_("1 to 100 letters, digits and signs, without spaces.")]})
        try:
            body = request._request.body
        except RawPostDataException:
            raise ParseError(_("This request cannot be read.")) from None
        said = [request.method, request.get_full_path(), self.viewer.cooperative.pk, hashlib.sha256(body).hexdigest()]
        fingerprint = hashlib.sha256(json.dumps(said).encode()).hexdigest()
        try:
            answer = answer_begin(self.by, key=key, fingerprint=fingerprint, now=self.now)
        except OtherRequest:
            raise KeyReused(_("This Idempotency-Key was used for another request. Take a new one.")) from None
        except InProgress:
            raise Conflict(_("The first request with this Idempotency-Key is still being answered.")) from None
        if answer.status is not None:
            raise _Replay(answer)
        self._answer = answer

    @property
    def key_used(self) -> str:
        """What the request was sent with; services that keep a key of their own derive theirs from it."""
        return f"{self.by.pk}:{self._answer.key}" if self._answer else ""

    def handle_exception(self, exc: Exception) -> Response:
        if isinstance(exc, _Replay):
            kept = exc.answer
            return Response(kept.body, status=kept.status, headers={**kept.headers, "Idempotent-Replayed": "true"})
        try:
            return super().handle_exception(exc)
        except Exception:
            self._let_go()
            raise

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        if self._answer is not None and isinstance(response, Response):
            if 200 <= response.status_code < 300:
                body = json.loads(JSONRenderer().render(response.data)) if response.data is not None else None
                headers = {name: response[name] for name in ("ETag", "Location") if name in response}
                answer_keep(self._answer, status=response.status_code, body=body, headers=headers)
            else:
                self._let_go()
        answer = super().finalize_response(request, response, *args, **kwargs)
        answer.headers.setdefault("Cache-Control", "private, no-cache")
        return answer

    def _let_go(self) -> None:
        if self._answer is not None:
            answer_let_go(self._answer)
            self._answer = None


class Listed:
    """GET of the list."""

    def list(self: Any, request: Request) -> Response:
        return cast(Response, self.page())


class Readable(Listed):
    """GET of the list and of one."""

    def retrieve(self: Any, request: Request, pk: int) -> Response:
        return cast(Response, self.one(pk))
