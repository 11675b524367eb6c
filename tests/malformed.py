"""Tables that are wrong in every way that a seed can think of: mutated bytes, cells and parts of CSV and XLSX files."""

import random
from collections.abc import Callable

from tests.bombs import xlsx_parts, zipped

HEADS = {
    "apiaries": ["Member", "Apiary", "How to find it"],
    "queens": ["Queen", "Belongs to", "Mother", "Emerged on", "Line"],
    "matings": ["Queen", "Kind", "Mated on", "Drone-producing queen", "Volume of this source, µl", "Drones"],
    "colonies": ["Member", "Apiary", "Colony", "Queen", "Since"],
    "scores": ["Member", "Apiary", "Colony", "Trait", "Day of the visit", "Value"],
    "counts": ["Drone source", "Comb", "What was counted", "Counted on", "How many"],
}
CELLS = [
    "Fellside", "Orchard", "7", "Rowan 1", "Old Rowan", "gentleness", "honey", "capped", "pool", "batch",
    "2026-05-01", "1.5.26", "3/4/2026", "99.99.9999", "0000-00-00", "2026-13-45", "3.5", "3,5", "1e999", "-1",
    "NaN", "Infinity", "１２", "٣", "=1+1", "=cmd|' /C calc'!A0", "@SUM(1)", "'=x", "\u202etxt", "\ufeff", "\u2028",
    "x" * 2_500, "ä" * 60, "\x1b[31m", "<script>", "{{ x }}", "%s%(x)s", "'; DROP TABLE", "\U0001f41d", "\ud7ff",
    "0" * 400, "1" * 400, "9" * 12 + ".5", "", " ", "\u00a0", "NULL", "None", "true",
]  # fmt: skip


def table_of(kind: str, chance: random.Random) -> list[list[str]]:
    head = chance.sample(HEADS[kind], chance.randint(1, len(HEADS[kind]))) if chance.random() < 0.3 else HEADS[kind]
    rows = [[chance.choice(CELLS) for _ in head] for _ in range(chance.randint(1, 6))]
    return [[*head, *(["?"] * chance.randint(0, 2))], *rows]


def csv_bytes(rows: list[list[str]], chance: random.Random) -> bytes:
    mark = chance.choice([",", ";", "\t", "|"])
    quoted = chance.random() < 0.6
    lines = [mark.join(f'"{cell}"' if quoted else cell for cell in row) for row in rows]
    text = chance.choice(["\n", "\r\n", "\r", "\n\n"]).join(lines)
    return text.encode(chance.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-32"]), "replace")


def xlsx_bytes(rows: list[list[str]], chance: random.Random) -> bytes:
    kept = [["".join(c for c in cell if c.isprintable()) for cell in row] for row in rows]
    parts = xlsx_parts(kept)
    if chance.random() < 0.7:
        name = chance.choice(sorted(parts))
        parts[name] = chance.choice(MUTATIONS)(parts[name], chance)
    if chance.random() < 0.2:
        del parts[chance.choice(sorted(parts))]
    return zipped(parts)


def _flip(content: bytes, chance: random.Random) -> bytes:
    made = bytearray(content or b"x")
    for _ in range(chance.randint(1, 12)):
        made[chance.randrange(len(made))] = chance.randrange(256)
    return bytes(made)


def _cut(content: bytes, chance: random.Random) -> bytes:
    return content[: chance.randrange(len(content) + 1)]


def _twice(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content) + 1)
    return content[:at] + content[max(0, at - 40) : at] * chance.randint(1, 30) + content[at:]


def _inserted(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content) + 1)
    bit = chance.choice([b'"', b"\0", b"\r", b"<!DOCTYPE a>", b"</row>", b"\xff\xfe", b","])
    return content[:at] + bit + content[at:]


MUTATIONS: list[Callable[[bytes, random.Random], bytes]] = [_flip, _cut, _twice, _inserted]


def malformed(seed: int) -> tuple[str, str, bytes]:
    """Kind, name and bytes of the file of this seed; the same each time."""
    chance = random.Random(seed)
    kind = chance.choice(sorted(HEADS))
    is_xlsx = chance.random() < 0.4
    rows = table_of(kind, chance)
    content = xlsx_bytes(rows, chance) if is_xlsx else csv_bytes(rows, chance)
    for _ in range(chance.choice([0, 0, 1, 1, 2])):
        content = chance.choice(MUTATIONS)(content, chance)
    return kind, f"{seed}.{'xlsx' if is_xlsx else 'csv'}", content
