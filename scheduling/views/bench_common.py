"""Who may work at which session: what the views of the bench share."""

from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext_lazy

from accounts.access import can_work_bench, require
from accounts.http import viewer_of_request
from scheduling.models import BenchSession
from scheduling.queries.bench import bench_sessions

OPERATORS_ONLY = gettext_lazy("The bench is worked by bench operators and the coordinator.")


def session_at_bench(request: HttpRequest, pk: int) -> BenchSession:
    """The session, for who works at the bench; strangers do not learn that it exists."""
    viewer = viewer_of_request(request)
    session = get_object_or_404(bench_sessions(viewer), pk=pk)
    require(can_work_bench(viewer), OPERATORS_ONLY)
    return session
