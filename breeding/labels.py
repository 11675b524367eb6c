"""What two spellings of one label have in common."""

import re

PARTS = re.compile(r"[^\W\d_]+|\d+")
LONGEST_ALIKE = 160  # of a label of 40: letters may fold into three, and each part is followed by a space


def label_alike(label: str) -> str:
    """“A-012”, “a 12” and “A12” are “a 12”. Kept in `Queen.alike`."""
    parts = PARTS.findall(label.casefold())
    return " ".join(part.lstrip("0") or "0" if part.isdecimal() else part for part in parts)
