"""A pedigree chart, from left to right, as published: round = female (a queen), square = male (the drones of a
named mother or group), dashed = not known."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from viz.svg import Markup, element, number, picture, text
from viz.tables import Drawing, Table

ROW = 44.0
COLUMN = 208.0
SYMBOL = 11.0
MARGIN = 16.0


@dataclass(frozen=True)
class Ancestor:
    """One symbol. A queen has a mother and the drones she herself comes from; drones have a mother queen,
    whose parents stand behind them. `key` is the same wherever the same individual or group appears."""

    key: str
    label: str
    kind: Literal["queen", "drones"] = "queen"
    note: str = ""
    link: str = ""
    mother: "Ancestor | None" = None
    drones: "Ancestor | None" = None


@dataclass(frozen=True)
class Words:
    title: str = "Pedigree"
    unknown: str = "not known"
    twice: str = "stands here more than once"
    queen: str = "queen"
    drones: str = "drones"
    head: tuple[str, ...] = ("Generation", "Who", "Kind", "Behind whom", "Note")


@dataclass(frozen=True)
class Placed:
    """Where a symbol stands: its generation (0 = herself), its height, and who stands there (None: not known)."""

    generation: int
    y: float
    kind: Literal["queen", "drones"]
    ancestor: Ancestor | None
    child: "Placed | None"


def known_by_generation(root: Ancestor, generations: int) -> list[float]:
    """Completeness: the share of the 2, 4, 8 … places of each generation behind her at which somebody is known.

    Drones of several mothers count as known. The last generations may be 0.
    """
    known = [0] * generations
    standing = [root]
    for generation in range(generations):
        standing = [one for child in standing for one in (child.mother, child.drones) if one is not None]
        known[generation] = len(standing)
    return [number / 2 ** (generation + 1) for generation, number in enumerate(known)]


def draw_pedigree(root: Ancestor, *, generations: int, uid: str, words: Words | None = None) -> Drawing:
    """`root` with 2 to 5 generations behind her.

    Raises ValueError for another number of generations or when somebody stands behind themselves.
    """
    if not 2 <= generations <= 5:
        raise ValueError("generations must be 2 to 5")
    words = words or Words()
    placed = list(_place(root, "queen" if root.kind == "queen" else "drones", 0, 0.0, generations, None, ()))
    count = Counter(one.ancestor.key for one in placed if one.ancestor)
    shared = {key for key, number_of in count.items() if number_of > 1}
    children = [_link(one) for one in placed if one.child]
    children += [_symbol(one, shared, words) for one in placed]
    height = 2**generations * ROW
    width = (generations + 1) * COLUMN
    svg = picture(
        *children,
        uid=uid,
        title=f"{words.title}: {root.label}",
        desc=_in_words(placed, words),
        height=height,
        width=width,
        class_="pedigree",
        role="group",
        viewBox=f"0 0 {number(width)} {number(height)}",
    )
    return Drawing(svg, _table(placed, shared, words))


def _place(
    ancestor: Ancestor | None,
    kind: Literal["queen", "drones"],
    generation: int,
    top: float,
    generations: int,
    child: Placed | None,
    behind: tuple[str, ...],
) -> Iterator[Placed]:
    """Depth first. Nothing is drawn behind somebody who is not known."""
    if ancestor is not None and ancestor.key in behind:
        raise ValueError(f"{ancestor.label} stands behind herself")
    room = ROW * 2 ** (generations - generation)
    here = Placed(generation, top + room / 2, ancestor.kind if ancestor else kind, ancestor, child)
    yield here
    if ancestor is None or generation == generations:
        return
    path = (*behind, ancestor.key)
    yield from _place(ancestor.mother, "queen", generation + 1, top, generations, here, path)
    yield from _place(ancestor.drones, "drones", generation + 1, top + room / 2, generations, here, path)


def _x(generation: int) -> float:
    return MARGIN + SYMBOL + generation * COLUMN


def _link(one: Placed) -> Markup:
    assert one.child is not None
    child_x, x = _x(one.child.generation), _x(one.generation) - SYMBOL
    turn = x - 14
    return element(
        "path",
        d=f"M{number(child_x + SYMBOL)} {number(one.child.y)}H{number(turn)}V{number(one.y)}H{number(x)}",
        class_="link",
    )


def _symbol(one: Placed, shared: set[str], words: Words) -> Markup:
    x, y = _x(one.generation), one.y
    twice = one.ancestor is not None and one.ancestor.key in shared
    name = "ped-queen" if one.kind == "queen" else "ped-drones"
    class_ = " ".join([name, *(["unknown"] if one.ancestor is None else []), *(["twice"] if twice else [])])
    if one.kind == "queen":
        shape = element("circle", cx=x, cy=y, r=SYMBOL, class_=class_)
    else:
        shape = element("rect", x=x - SYMBOL, y=y - SYMBOL, width=2 * SYMBOL, height=2 * SYMBOL, class_=class_)
    if one.ancestor is None:
        return Markup(shape + text(words.unknown, x=x + SYMBOL + 7, y=y - 5, class_="soft halo"))
    label = text(one.ancestor.label + (" ●" if twice else ""), x=x + SYMBOL + 7, y=y - 5, class_="halo")
    note = text(one.ancestor.note, x=x + SYMBOL + 7, y=y + 17, class_="soft halo") if one.ancestor.note else Markup("")
    inside = Markup(shape + label + note)
    if not one.ancestor.link:
        return inside
    hit = element("rect", x=x - SYMBOL, y=y - ROW / 2, width=COLUMN - 3 * SYMBOL, height=ROW, class_="hit")
    return element("a", hit, inside, href=one.ancestor.link)


def _name(one: Placed, words: Words) -> str:
    return one.ancestor.label if one.ancestor else words.unknown


def _in_words(placed: list[Placed], words: Words) -> str:
    known = [one for one in placed if one.generation == 1]
    return ", ".join(f"{words.queen if one.kind == 'queen' else words.drones}: {_name(one, words)}" for one in known)


def _table(placed: list[Placed], shared: set[str], words: Words) -> Table:
    rows = tuple(
        (
            str(one.generation),
            _name(one, words),
            words.queen if one.kind == "queen" else words.drones,
            _name(one.child, words) if one.child else "–",
            words.twice
            if one.ancestor and one.ancestor.key in shared
            else (one.ancestor.note if one.ancestor else "") or "–",
        )
        for one in sorted(placed, key=lambda one: (one.generation, one.y))
    )
    return Table(words.title, words.head, rows, frozenset({0}))
