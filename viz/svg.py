"""A tiny element builder that escapes everything it is given."""

from html import escape

Value = str | int | float | None


class Markup(str):
    """Text that is markup already; everything else is escaped on its way in."""

    __slots__ = ()


def number(value: float) -> str:
    """A coordinate: at most three decimals, no trailing zeros, never “-0”."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def percent(value: float) -> str:
    return f"{number(value)}%"


def element(name: str, /, *children: str, **attributes: Value) -> Markup:
    """An element. `class_` means class, `_` in names means `-`, None leaves an attribute out.

    Raises ValueError for style and for handlers: the content policy of the site forbids both.
    """
    parts = [f"<{name}"]
    for key, value in attributes.items():
        attribute = key.rstrip("_") if key == "viewBox" else key.rstrip("_").replace("_", "-")
        if attribute == "style" or attribute.startswith("on"):
            raise ValueError(f"{attribute} may not be an attribute; use a class")
        if value is None:
            continue
        text = value if isinstance(value, str) else number(value)
        parts.append(f' {attribute}="{escape(text, quote=True)}"')
    if not children:
        return Markup("".join([*parts, "/>"]))
    inside = "".join(child if isinstance(child, Markup) else escape(child, quote=False) for child in children)
    return Markup("".join([*parts, ">", inside, f"</{name}>"]))


def text(words: str, /, **attributes: Value) -> Markup:
    return element("text", words, **attributes)


def group(*children: str, **attributes: Value) -> Markup:
    return element("g", *children, **attributes)


def at(x: float, *children: str, y: float | str | None = None) -> Markup:
    """Children whose own coordinates are pixels, set down at x per cent of the width."""
    return element("svg", *children, x=percent(x), y=y, overflow="visible")


def picture(
    *children: str,
    uid: str,
    title: str,
    desc: str,
    height: float,
    class_: str = "",
    role: str = "img",
    **attributes: Value,
) -> Markup:
    """The outer element: a picture with a name and a description for those who do not see it.

    One that holds links is no `img` (its inside would be hidden) but a `group`.
    """
    return element(
        "svg",
        element("title", title, id=f"{uid}-title"),
        element("desc", desc, id=f"{uid}-desc"),
        *children,
        xmlns="http://www.w3.org/2000/svg",
        class_=f"viz {class_}".strip(),
        height=height,
        role=role,
        aria_labelledby=f"{uid}-title",
        aria_describedby=f"{uid}-desc",
        **attributes,
    )
