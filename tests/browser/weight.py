"""What a visit weighs as it is served: files compressed as WhiteNoise keeps them, the page as it went over the line."""

import gzip
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import brotli
from django.conf import settings
from django.contrib.staticfiles import finders

FIRST_VISIT, NEXT_VISIT = 150_000, 30_000
#: Of the first visit, also where its page shows no code or heading in them yet.
FONTS = {
    f"vendor/fonts/{name}-latin-wght-normal.woff2" for name in ("bitter", "public-sans", "atkinson-hyperlegible-mono")
}
#: What the bench page brings of its own: its service worker keeps it, so that it is there without a network.
BENCH = ("js/bench/", "js/bench-keys.js", "js/co2-clock.js", "js/register.js", "css/bench.css")


class Weights:
    """The first page of a visit fills the cache; every other brings only what that one had not."""

    def __init__(self) -> None:
        self.kept: set[str] | None = None
        self.heaviest = (0, 0)

    def faults(self, html: int, paths: Iterable[str]) -> list[str]:
        """`html`: bytes of the page itself on the line; `paths`: of everything that was asked for."""
        files = {path.removeprefix(settings.STATIC_URL) for path in paths if path.startswith(settings.STATIC_URL)}
        files |= FONTS
        if self.kept is None:
            self.kept = files
        first = html + sum(map(size_of, files))
        later = html + sum(size_of(file) for file in files - self.kept if not file.startswith(BENCH))
        self.heaviest = max(self.heaviest[0], first), max(self.heaviest[1], later)
        limits = ((first, FIRST_VISIT, "first visit"), (later, NEXT_VISIT, "next visit"))
        return [f"{what} weighs {size} bytes, the page {html}" for size, limit, what in limits if size > limit]


@cache
def size_of(name: str) -> int:
    """Bytes of a file under static/ on the line: the smallest of plain, gzip and brotli."""
    found = finders.find(name)
    assert isinstance(found, str), name
    raw = Path(found).read_bytes()
    return min(len(raw), len(gzip.compress(raw, 9)), len(brotli.compress(raw, quality=11)))
