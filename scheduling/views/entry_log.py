"""What the side doors of all device logs share: whose entries they are, how they are answered."""

from collections.abc import Callable, Sequence
from uuid import UUID

from django.http import HttpRequest, HttpResponse, JsonResponse

from accounts.http import now_of, viewer_of_request
from accounts.refusals import Refusal
from scheduling.forms.entries import Batch, batch_read
from scheduling.models.entry import KeptEntry
from scheduling.services.entry_log import Sent

OTHER_PERSON = 409
Rows = list[dict[str, str]]


def other_person(request: HttpRequest) -> JsonResponse | None:
    """Asked for somebody else than is signed in: said so, nothing given."""
    person, asked_for = viewer_of_request(request).person, request.GET.get("person", "")
    if not asked_for or asked_for == str(person.pk):
        return None
    return JsonResponse({"person": person.pk, "person_name": person.name}, status=OTHER_PERSON)


def device_of(request: HttpRequest) -> UUID | None:
    try:
        return UUID(request.GET["device"]) if request.GET.get("device") else None
    except ValueError:
        return None


def entries_answered(request: HttpRequest, take: Callable[[Batch, list[Sent]], Sequence[KeptEntry]]) -> HttpResponse:
    """A batch of entries. Answered only when all of them are kept; sent again, the answer is the same."""

    def rows(batch: Batch, sent: list[Sent]) -> Rows:
        return [{"id": str(one.pk), "state": one.state, "words": one.words} for one in take(batch, sent)]

    return _answered(request, rows)


def tries_answered(request: HttpRequest, try_: Callable[[Batch, list[Sent]], Sequence[Refusal | None]]) -> HttpResponse:
    """A batch that nobody keeps yet: what speaks against each, and at which field."""

    def rows(batch: Batch, sent: list[Sent]) -> Rows:
        found = try_(batch, sent)
        return [
            {"id": str(one.id), "words": str(said.text), "field": said.field or "", "rule": said.rule}
            for one, said in zip(sent, found, strict=True)
            if said is not None
        ]

    return _answered(request, rows)


def _answered(request: HttpRequest, rows: Callable[[Batch, list[Sent]], Rows]) -> HttpResponse:
    person = viewer_of_request(request).person
    try:
        batch = batch_read(request.body)
    except (ValueError, RecursionError) as error:
        return JsonResponse({"error": str(error)}, status=400)
    if batch.person != person.pk:
        return JsonResponse({"person": person.pk, "person_name": person.name}, status=OTHER_PERSON)
    sent = [Sent(one.id, one.number, one.kind, one.facts, one.device_at, one.offset_ms) for one in batch.entries]
    try:
        found = rows(batch, sent)
    except Refusal as refusal:
        return JsonResponse({"error": str(refusal.text)}, status=OTHER_PERSON)
    return JsonResponse({"server_at": now_of(request).isoformat(), "entries": found})
