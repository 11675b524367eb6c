"""The tip at the bench: how much is loaded, and the line of the dose."""

from dataclasses import dataclass

from viz.svg import Markup, element, number, picture, text
from viz.tables import Drawing, Table

WIDTH, HEIGHT = 110, 280
LEFT, RIGHT = 14.0, 58.0
TOP, SHOULDER, NECK, END = 8.0, 196.0, 232.0, 268.0
MOST_FIGURES = 10
LABEL_PX = 17  # figures nearer than this to the dose's would lie on it


@dataclass(frozen=True)
class Words:
    title: str = "Tip"
    loaded: str = "loaded"
    dose: str = "dose"
    head: tuple[str, ...] = ("What", "µl")


def draw_capillary(
    *, loaded_tenths: int, dose_tenths: int, uid: str, full_tenths: int = 100, words: Words | None = None
) -> Drawing:
    """A standing tip, from 0 at its shoulder to `full_tenths` at its top, with at most ten figures on its scale.

    Raises ValueError when a volume is below 0 or the tip holds nothing. A volume beyond the scale lengthens it.
    """
    if min(loaded_tenths, dose_tenths) < 0 or full_tenths <= 0:
        raise ValueError("volumes must not be below 0, and the tip must hold something")
    words = words or Words()
    whole = -(-max(loaded_tenths, dose_tenths, full_tenths) // 20) * 20

    def y_of(tenths: float) -> float:
        return SHOULDER - tenths / whole * (SHOULDER - TOP)

    children: list[Markup] = [element("path", d=_outline(TOP), class_="tube")]
    if loaded_tenths:
        children.append(element("path", d=_inside(y_of(loaded_tenths)), class_="fill-drone"))
    children.append(element("path", d=_outline(TOP), class_="tube-line"))
    step = _step_ul(whole // 10)
    for microlitres in range(0, whole // 10 + 1, max(1, step // 2)):
        y = y_of(microlitres * 10)
        named = microlitres % step == 0
        children.append(element("line", x1=RIGHT + 4, x2=RIGHT + (16 if named else 11), y1=y, y2=y, class_="tick-long"))
        if named and microlitres > 0 and abs(y - y_of(dose_tenths)) >= LABEL_PX:
            children.append(text(str(microlitres), x=RIGHT + 22, y=y + 5, class_="plain-text"))
    y = y_of(dose_tenths)
    children.append(element("rect", x=LEFT - 6, y=y - 3.5, width=RIGHT - LEFT + 24, height=7, class_="dose"))
    children.append(text(_ul(dose_tenths), x=RIGHT + 22, y=y + 5, class_="dose-text"))
    rows = ((words.loaded, _ul(loaded_tenths)), (words.dose, _ul(dose_tenths)))
    return Drawing(
        picture(
            *children,
            uid=uid,
            title=words.title,
            desc=", ".join(f"{word} {volume} µl" for word, volume in rows),
            height=HEIGHT,
            viewBox=f"0 0 {WIDTH} {HEIGHT}",
            class_="tip-drawing",
        ),
        Table(words.title, words.head, rows, frozenset({1})),
    )


def _step_ul(whole_ul: int) -> int:
    """So many µl from figure to figure that at most ten stand on the scale."""
    return next(step for step in (2, 4, 10, 20, 50, 100, whole_ul) if whole_ul // step <= MOST_FIGURES)


def _ul(tenths: int) -> str:
    return number(tenths / 10)


def _outline(top: float) -> str:
    middle = (LEFT + RIGHT) / 2
    return (
        f"M{number(LEFT)} {number(top)}H{number(RIGHT)}V{number(SHOULDER)}L{number(middle + 7)} {number(NECK)}"
        f"V{number(END)}H{number(middle - 7)}V{number(NECK)}L{number(LEFT)} {number(SHOULDER)}z"
    )


def _inside(top: float) -> str:
    middle = (LEFT + RIGHT) / 2
    return (
        f"M{number(LEFT + 2)} {number(top)}H{number(RIGHT - 2)}V{number(SHOULDER)}"
        f"L{number(middle + 5)} {number(NECK)}V{number(END - 2)}H{number(middle - 5)}V{number(NECK)}"
        f"L{number(LEFT + 2)} {number(SHOULDER)}z"
    )
