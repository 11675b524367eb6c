"""Fill patterns of drone sources: plain, lines, slant, dots. Colour is never the only sign."""

from viz.svg import Markup, element

PATTERNS = ("plain", "lines", "slant", "dots")


def pattern_of(number: int) -> str:
    """The pattern of the source with this number, from 1; the seventh and later stay plain."""
    return PATTERNS[(number - 1) % len(PATTERNS)] if number >= 1 else "plain"


def fill(uid: str, pattern: str) -> str | None:
    """What to write as `fill`; None for plain, where the class alone colours."""
    return None if pattern == "plain" else f"url(#{uid}-{pattern})"


def definition(uid: str, pattern: str) -> Markup:
    """The pattern element (nothing for plain). Its ground takes the colour of the source around it."""
    if pattern == "plain":
        return Markup("")
    size = 10 if pattern == "dots" else 8
    ground = element("rect", width=size, height=size, class_="supply")
    marks = {
        "lines": element("line", x1=0, x2=size, y1=size - 1, y2=size - 1, stroke_width=2, class_="pattern-line"),
        "slant": element("line", x1=0, x2=0, y1=0, y2=size, stroke_width=3, class_="pattern-line"),
        "dots": element("circle", cx=size / 2, cy=size / 2, r=1.8, class_="pattern-dot"),
    }
    return element(
        "pattern",
        ground,
        marks[pattern],
        id=f"{uid}-{pattern}",
        width=size,
        height=size,
        patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)" if pattern == "slant" else None,
    )
