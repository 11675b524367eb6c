"""What is answered when something broke: a database that cannot take anything now is not a fault of the program."""

import sys

from django.http import HttpRequest, HttpResponse
from django.template import loader
from django.utils.translation import gettext as _
from django.views import defaults

from accounts.troubles import is_trouble_of_the_database

AGAIN_SECONDS = 30


def broke(request: HttpRequest) -> HttpResponse:
    """The handler of 500: 503 while the database is away, full, locked or may only be read."""
    if is_trouble_of_the_database(sys.exc_info()[1]):
        return unavailable(request)
    return defaults.server_error(request)


def unreadable(request: HttpRequest, exception: Exception) -> HttpResponse:
    """The handler of 400, which is what Django makes of a session that could not be written."""
    if is_trouble_of_the_database(exception):
        return unavailable(request)
    return defaults.bad_request(request, exception)


def unavailable(request: HttpRequest) -> HttpResponse:
    """Says so in words, without asking the database for anything; programs are told when to try again."""
    if "text/html" in request.headers.get("Accept", "text/html"):
        answer = HttpResponse(loader.get_template("503.html").render(), status=503)
    else:
        answer = HttpResponse(
            _("The database cannot take anything now. Nothing was changed; try again in half a minute.") + "\n",
            status=503,
            content_type="text/plain; charset=utf-8",
        )
    answer["Retry-After"] = str(AGAIN_SECONDS)
    return answer
