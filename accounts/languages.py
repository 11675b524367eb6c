"""Which language somebody is spoken to in: their own, else the cooperative's.

Inside a request it is active already (`middleware.LanguageMiddleware`). Whatever is written for somebody elsewhere (a
mail, a message, a calendar), or for somebody else than who asks, stands inside `with speaking_to(person, cooperative)`.
"""

from contextlib import AbstractContextManager

from django.conf import settings
from django.http import HttpRequest
from django.utils import translation
from django.utils.translation.trans_real import get_supported_language_variant, parse_accept_lang_header

from accounts.models import Cooperative, Person


def language_of(person: Person | None, cooperative: Cooperative | None = None) -> str:
    """The code of it. Who has chosen none and stands in no cooperative is spoken to in the language of the moment."""
    of_cooperative = cooperative.language if cooperative is not None else ""
    own = person.language if person is not None else ""
    return own or of_cooperative or translation.get_language() or settings.LANGUAGE_CODE


def speaking_to(person: Person | None, cooperative: Cooperative | None = None) -> AbstractContextManager[None]:
    return translation.override(language_of(person, cooperative))


def language_asked_for(request: HttpRequest) -> str:
    """What was chosen on this device, else what the browser asks for: the first that is ours; "" where none is."""
    asked = [request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")]
    asked += [code for code, _weight in parse_accept_lang_header(request.headers.get("Accept-Language", ""))]
    for code in filter(None, asked):
        try:
            return get_supported_language_variant(code)
        except LookupError:
            continue
    return ""
