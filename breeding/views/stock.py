"""Stock & crosses: the list of colonies and of queens without one."""

from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from accounts.http import viewer_of_request
from accounts.paging import LongPaginator
from accounts.tables import table_streamed
from breeding.queries.stock import StockFilter, colony_list, last_scored, open_apiaries_for, queens_without_colony
from breeding.queries.stock_tables import NAMES, stock_table

ROWS_PER_PAGE = 50


def _wanted(request: HttpRequest) -> StockFilter:
    return StockFilter(
        text=request.GET.get("q", "").strip()[:60],
        everyone=request.GET.get("whose") == "all" or not viewer_of_request(request).is_member,
        with_ended=request.GET.get("ended") == "1",
    )


@require_safe
def stock_csv(request: HttpRequest, table: str) -> StreamingHttpResponse:
    """Colonies, queens or scores of what the page shows, as a table file."""
    if table not in NAMES:
        raise Http404
    return table_streamed(request, stock_table(viewer_of_request(request), _wanted(request), table))


@require_safe
def stock(request: HttpRequest) -> HttpResponse:
    viewer, wanted = viewer_of_request(request), _wanted(request)
    colonies, queens = (
        LongPaginator(things, ROWS_PER_PAGE, along_index=True).get_page(request.GET.get(page))
        for things, page in (
            (colony_list(viewer, wanted), "page"),
            (queens_without_colony(viewer, wanted), "queens_page"),
        )
    )
    scored = last_scored(colonies.object_list)
    return render(
        request,
        "breeding/stock.html",
        {
            "wanted": wanted,
            "page": colonies,
            "rows": [(colony, scored.get(colony.pk)) for colony in colonies.object_list],
            "queens": queens,
            "may_add": open_apiaries_for(viewer).exists(),
        },
    )
