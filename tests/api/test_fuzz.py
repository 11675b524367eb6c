"""Made-up requests, well-formed and not, against the description: no fault of ours, no answer that is not described.

The suite runs a few of each operation. As many as wanted, of each and in each of two modes and for each of two people:

    BROODTIDE_FUZZ_EXAMPLES=20 BROODTIDE_FUZZ_SEED=8 python -m pytest -s tests/api/test_fuzz.py
"""

import os
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, transaction
from drf_spectacular.generators import SchemaGenerator
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from accounts.models import Scope
from accounts.services.tokens import token_make
from tests.api.conftest import House
from tests.api.test_keys import now, viewer

EXAMPLES = int(os.environ.get("BROODTIDE_FUZZ_EXAMPLES", "1"))
SEED = int(os.environ.get("BROODTIDE_FUZZ_SEED", "7"))
# Not among them: that whatever breaks the description is refused. In an address a list of one number reads as the
# number itself, so that the right answer would be called wrong. Plain tests hold what must be refused.
ALWAYS = [
    schemathesis.checks.not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
# Where a body or an address names a thing, the one of the house is put in now and then.
PREFIXES = {
    "apiaries": "apiary", "batches": "batch", "batch-queens": "batch_queen", "bench-entries": "entry",
    "benches": "bench", "bench-sessions": "session", "bookings": "booking",
    "co2-treatments": "co2", "cohorts": "cohort", "colonies": "colony",
    "crosses": "cross", "doses": "dose", "evaluations": "evaluation", "invitations": "invitation", "lines": "line",
    "lots": "lot", "members": "member", "offers": "offer", "people": "person", "places": "place", "plans": "plan",
    "queens": "queen", "reminders": "reminder", "scores": "score", "seasons": "season",
    "semen-batches": "semen_batch", "sessions": "session", "sources": "source", "traits": "trait",
    "what-ifs": "what_if",
}  # fmt: skip
FIELDS = {
    "apiary": "apiary", "batch": "batch", "bench": "bench", "booking": "booking", "colony": "colony",
    "drone_queen": "queen", "line": "line", "member": "member", "mother": "queen", "owner": "member", "plan": "plan",
    "queen": "queen", "season": "season", "session": "session", "shared_batch": "semen_batch", "source": "source",
    "station_mother": "queen",
}  # fmt: skip

described = schemathesis.openapi.from_dict(SchemaGenerator().get_schema(request=None, public=True))
OPERATIONS: dict[str, Any] = {}
for found in described.get_all_operations():
    operation: Any = found
    OPERATIONS[operation.ok().label] = operation.ok()


def with_real_things(case: Any, house: House, pick: int) -> None:
    """Otherwise nearly every request would end at “there is no such thing”."""
    if case.path_parameters and "id" in case.path_parameters and pick % 4:
        case.path_parameters["id"] = house.id_of(PREFIXES[case.path.split("/")[3]])
    if isinstance(case.body, dict) and pick % 3:
        for field in FIELDS.keys() & case.body.keys():
            case.body[field] = house.id_of(FIELDS[field])
        if "sources" in case.body:
            case.body["sources"] = [house.id_of("source")]
        if case.body.get("trait"):
            case.body["trait"] = "gentleness"


@pytest.fixture(autouse=True)
def _connection_of_the_test() -> Iterator[None]:
    """As Django's own test client does: the end of a request must not close what the test's transaction lives in."""
    signals = (request_started, request_finished)
    for signal in signals:
        signal.disconnect(close_old_connections)
    yield
    for signal in signals:
        signal.connect(close_old_connections)


@pytest.mark.django_db
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize("who", ["member", "coordinator"])
def test_no_made_up_request_meets_a_fault_or_an_answer_that_is_not_described(
    house: House, settings: Any, who: str, mode: GenerationMode
) -> None:
    settings.API_REQUESTS_A_MINUTE = 10**9
    _token, key = token_make(viewer(house, who), name="Fuzz", scopes=Scope.values, days=None, now=now())
    headers = {"Authorization": f"Bearer {key}", "Accept-Encoding": "identity"}
    app = get_wsgi_application()
    problems: list[str] = []
    sent = 0
    for label, operation in OPERATIONS.items():
        try:
            strategy = operation.as_strategy(generation_mode=mode)
            sent += try_out(strategy, house, mode, app, headers)
        except BaseExceptionGroup as found:
            problems.append(f"{label}: " + "\n".join(str(one) for one in found.exceptions))
        except schemathesis.errors.InvalidSchema as error:
            problems.append(f"{label}: {error}")
    print(f"{who}, {mode.value}: {sent} requests, seed {SEED}")
    assert not problems, "\n\n".join(problems)
    assert sent >= EXAMPLES * len(OPERATIONS) * 0.5  # what takes no argument has no wrong one


def try_out(strategy: Any, house: House, mode: GenerationMode, app: Any, headers: dict[str, str]) -> int:
    sent = 0

    @seed(SEED)
    @settings(
        max_examples=EXAMPLES, database=None, suppress_health_check=list(HealthCheck),
        phases=[Phase.generate], report_multiple_bugs=False,
    )  # fmt: skip
    @given(case=strategy, pick=st.integers(0, 11))
    def one(case: Any, pick: int) -> None:
        nonlocal sent
        if mode is GenerationMode.POSITIVE:
            with_real_things(case, house, pick)
        with transaction.atomic():
            answer = case.call(app=app, headers=headers)
            transaction.set_rollback(True)
        case.validate_response(answer, checks=ALWAYS, headers=headers)
        sent += 1

    one()
    return sent
