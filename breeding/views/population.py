"""How related is the stock, how fast does that rise, and how much of the pedigree do we know?"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.access import can_see_ranking, require
from accounts.http import viewer_of_request
from accounts.models import Cooperative
from breeding.queries.population import Population, population_of
from breeding.templatetags.stock import plain_number
from viz.curve import Axis, Line, Words, draw_curve


@require_safe
def population(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_see_ranking(viewer), "")
    return render(request, "breeding/population.html", population_part(viewer.cooperative))


def population_part(cooperative: Cooperative) -> dict[str, Any]:
    """What `breeding/parts/population.html` shows: include it with this context on any page."""
    found = population_of(cooperative)
    return {"population": found, "population_drawing": _drawn(found) if found and found.years else None}


def _drawn(found: Population) -> Any:
    inbreeding = tuple((float(year.year), year.inbreeding) for year in found.years)
    coancestry = tuple((float(year.year), year.coancestry) for year in found.years if year.coancestry is not None)
    lines = [Line(_("inbreeding"), inbreeding)]
    if coancestry:
        lines.insert(0, Line(_("coancestry"), coancestry))
    return draw_curve(
        lines,
        Axis(_("Year of birth"), 1, 0),
        Axis(_("Per cent"), 100, 1),
        uid="population",
        words=Words(
            _("Inbreeding and coancestry by year of birth"),
            _("From %(first)s to %(last)s.") % {"first": found.years[0].year, "last": found.years[-1].year},
            (_("Year"), *(f"{line.label}, %" for line in lines)),
            plain_number,
        ),
        zero=True,
    )
