"""A QR code as SVG: level M, so that a scratched label still reads."""

import io

import segno


def draw_qr(text: str) -> str:
    """The code of `text`, black on white with its quiet zone; upper-case text makes it smaller (ISO/IEC 18004)."""
    if not text:
        raise ValueError("a code needs a text")
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out, kind="svg", xmldecl=False, svgns=True, omitsize=True, border=2, light="#fff", svgclass="qr", lineclass=None
    )
    return out.getvalue().decode().strip()
