"""Reading a drawing back: tests look at geometry, not at text."""

import re
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

NS = "{http://www.w3.org/2000/svg}"


def parsed(svg: str) -> Element:
    return ElementTree.fromstring(svg)


def with_class(root: Element, name: str) -> list[Element]:
    return [node for node in root.iter() if name in node.get("class", "").split()]


def share(value: str) -> float:
    assert value.endswith("%"), value
    return float(value[:-1])


def lines_at(root: Element, name: str) -> list[float]:
    """Where the upright lines of a class stand, in days from the start of the scale."""
    return [float(x) for path in with_class(root, name) for x in re.findall(r"M([\d.]+) ", path.get("d", ""))]


def texts(root: Element) -> list[str]:
    return [node.text or "" for node in root.iter(f"{NS}text")]


def named_and_described(root: Element) -> bool:
    """The picture has a title and a desc, and both are tied to it."""
    ids = {node.get("id"): node for node in root.iter() if node.get("id")}
    title, desc = ids[root.get("aria-labelledby")], ids[root.get("aria-describedby")]
    return title.tag == f"{NS}title" and bool(title.text) and desc.tag == f"{NS}desc" and bool(desc.text)


def forbidden_attributes(root: Element) -> list[str]:
    return [key for node in root.iter() for key in node.attrib if key == "style" or key.startswith("on")]
