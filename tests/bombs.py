"""Spreadsheet files that would cost whoever reads them carelessly much time or memory."""

import io
import zipfile
from collections.abc import Callable, Sequence
from typing import Any

from openpyxl import Workbook

MEGABYTE = 1_000_000


def xlsx_of(rows: Sequence[Sequence[Any]]) -> bytes:
    book = Workbook(write_only=True)
    sheet = book.create_sheet("table")
    for row in rows:
        sheet.append(list(row))
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def xlsx_parts(rows: Sequence[Sequence[Any]]) -> dict[str, bytes]:
    archive = zipfile.ZipFile(io.BytesIO(xlsx_of(rows)))
    return {name: archive.read(name) for name in archive.namelist()}


def zipped(parts: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return made.getvalue()


def _book(**changed: bytes) -> dict[str, bytes]:
    return {**xlsx_parts([["a", "b"], ["1", "2"]]), **changed}


SHEET, STRINGS = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"


def _sheet(row: bytes, times: int) -> bytes:
    head = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    return head + row * times + b"</sheetData></worksheet>"


def _many_rows(megabytes: int) -> Callable[[], bytes]:
    row = b'<row><c t="inlineStr"><is><t>x</t></is></c></row>'
    return lambda: zipped(_book(**{SHEET: _sheet(row, megabytes * MEGABYTE // len(row))}))


def _strings(megabytes: int) -> Callable[[], bytes]:
    def made() -> bytes:
        one = b"<si><t>" + b"x" * 986 + b"</t></si>"
        text = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">' + one * (megabytes * 1000)
        return zipped(_book(**{STRINGS: text + b"</sst>"}))

    return made


def _entities(where: str, depth: int, encoding: str = "utf-8") -> Callable[[], bytes]:
    def made() -> bytes:
        names = [f'<!ENTITY e0 "{"x" * 50}">'] + [f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, depth)]
        text = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE a [{"".join(names)}]><a>&e{depth - 1};</a>'
        return zipped(_book(**{where: text.encode(encoding)}))

    return made


def _outside(where: str, address: str) -> Callable[[], bytes]:
    text = f'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY e SYSTEM "{address}">]><a>&e;</a>'
    return lambda: zipped(_book(**{where: text.encode()}))


def _entries(number: int) -> Callable[[], bytes]:
    return lambda: zipped({**_book(), **{f"xl/media/{n}.bin": b"x" for n in range(number)}})


def _blank(name: str, megabytes: int) -> Callable[[], bytes]:
    return lambda: zipped({**_book(), name: bytes(megabytes * MEGABYTE)})


def _lie(megabytes: int, said: int) -> Callable[[], bytes]:
    """The directory says that the entry is small."""

    def made() -> bytes:
        size = megabytes * MEGABYTE
        content = zipped(_book(**{SHEET: _sheet(b"<row/>", size // 6)}))
        real = len(_sheet(b"<row/>", size // 6))
        return content.replace(real.to_bytes(4, "little"), said.to_bytes(4, "little"))

    return made


BOMBS: dict[str, Callable[[], bytes]] = {
    **{f"rows {n} MB": _many_rows(n) for n in (51, 52, 55, 60)},
    **{f"strings {n} MB": _strings(n) for n in (20, 51, 52, 55, 60)},
    **{
        f"entities {depth} in {where}{' ' + encoding if encoding != 'utf-8' else ''}": _entities(where, depth, encoding)
        for where in (SHEET, STRINGS, "xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml")
        for depth, encoding in ((3, "utf-8"), (9, "utf-8"), (9, "utf-16"))
    },
    **{
        f"outside {address} in {where}": _outside(where, address)
        for where in (SHEET, STRINGS, "xl/workbook.xml")
        for address in ("file:///etc/hostname", "http://127.0.0.1:9/x", "/dev/zero")
    },
    **{f"{n} entries": _entries(n) for n in (201, 1_000, 5_000)},
    **{
        f"{n} MB of nothing in {name}": _blank(name, n)
        for n in (51, 60)
        for name in ("xl/media/image1.png", "docProps/thumbnail.jpeg", "customXml/item1.xml")
    },
    **{f"lie {said} of {n} MB": _lie(n, said) for n in (20, 51, 60) for said in (0, 100, 70_000)},
}
