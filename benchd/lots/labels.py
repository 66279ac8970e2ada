"""Labels of tested units: a bar code of the serial number, and what it came to in words. 50 x 25 mm.

Code 128 by python-barcode, Data Matrix by ppf.datamatrix; both carry the serial number alone, as a scanner of ours reads it back.
A unit that did not pass gets a label too, which says so in capitals: an unlabelled unit is one that nobody tested.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from benchd.errors import UsageError

WIDE_MM, HIGH_MM = 50.0, 25.0
QUIET_128, QUIET_MATRIX = (
    10,
    2,
)  # modules of white beside the symbol: ISO/IEC 15417 (10), ISO/IEC 16022 (1; 2 for poor printers)
DOTS_MM = 16  # of the PNG: 406 dots an inch
LONGEST_128 = 24  # beyond, bars get too thin for a label of this width
WORDS = {"pass": "PASS", "fail": "NOT PASSED", "undecided": "NOT PASSED (undecided)"}
SYMBOLS, FORMS = ("code128", "datamatrix"), ("svg", "png", "pdf", "txt")

Rect = tuple[float, float, float, float]  # x, y, width, height in mm


def label(certificate: Mapping[str, Any], symbol: str, form: str) -> bytes:
    """The label of the unit of a certificate (LotDoor.certificate). UsageError for a serial number that the symbol cannot carry."""
    if symbol not in SYMBOLS or form not in FORMS:
        raise UsageError(f"found {symbol!r} as {form!r}, expected {' or '.join(SYMBOLS)}, as {', '.join(FORMS)}")
    unit, lot = certificate["unit"], certificate["lot"]
    serial = str(unit["serial"])
    lines = [
        serial,
        f"{lot['part']}  lot {lot['lot']}",
        f"{WORDS.get(str(unit['verdict']), 'NOT PASSED')}  {str(unit['ended'] or unit['started'])[:10]}",
    ]
    if form == "txt":
        return ("\n".join(lines) + "\n").encode()
    bars = code128(serial) if symbol == "code128" else datamatrix(serial)
    if form == "png":
        return _png(bars, lines, symbol)
    svg = _svg(bars, lines, symbol)
    return svg.encode() if form == "svg" else _pdf(svg)


def code128(serial: str) -> list[Rect]:
    """The bars, over the upper part of the label. UsageError."""
    if not serial.isascii():
        raise UsageError(
            f"{serial}: a bar code carries ASCII here, no {next(one for one in serial if ord(one) > 126)}; take a label as .txt"
        )
    if len(serial) > LONGEST_128:
        raise UsageError(f"{serial}: {len(serial)} signs make bars too thin for this label; take --symbol datamatrix")
    from barcode.codex import Code128

    (modules,) = Code128(serial).build()
    module = WIDE_MM / (len(modules) + 2 * QUIET_128)
    found: list[Rect] = []
    place = 0
    while place < len(modules):
        end = place
        while end < len(modules) and modules[end] == modules[place]:
            end += 1
        if modules[place] == "1":
            found.append(((QUIET_128 + place) * module, 1.5, (end - place) * module, 11.5))
        place = end
    return found


def datamatrix(serial: str) -> list[Rect]:
    """The dark modules, at the left. UsageError."""
    from ppf.datamatrix import DataMatrix

    if not serial.isascii():
        raise UsageError(
            f"{serial}: a bar code carries ASCII here, no {next(one for one in serial if not one.isascii())}; take a label as .txt"
        )
    rows: Sequence[Sequence[int]] = DataMatrix(serial).matrix
    module = (HIGH_MM - 2.0) / (len(rows) + 2 * QUIET_MATRIX)
    at = 1.0 + QUIET_MATRIX * module
    return [
        (at + column * module, at + row * module, module, module)
        for row, cells in enumerate(rows)
        for column, dark in enumerate(cells)
        if dark
    ]


def _places(lines: Sequence[str], symbol: str) -> list[tuple[float, float, float, str]]:
    """(x, baseline y, size in mm, text); text that would run over the edge is made smaller."""
    if symbol == "code128":
        wanted, left = [(17.0, 3.4), (20.3, 2.4), (23.8, 2.9)], 2.0
    else:
        wanted, left = [(7.5, 3.0), (12.5, 2.4), (19.0, 3.0)], 25.5
    room = WIDE_MM - left - 1.0
    return [
        (left, y, min(size, room / max(0.62 * len(text), 1)), text)
        for (y, size), text in zip(wanted, lines, strict=True)
    ]


def _svg(bars: Sequence[Rect], lines: Sequence[str], symbol: str) -> str:
    drawn = "".join(f'<rect x="{x:.4f}" y="{y:.4f}" width="{w:.4f}" height="{h:.4f}"/>' for x, y, w, h in bars)
    words = "".join(
        f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" font-family="DejaVu Sans Mono, monospace">{escape(text)}</text>'
        for x, y, size, text in _places(lines, symbol)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE_MM:g}mm" height="{HIGH_MM:g}mm" viewBox="0 0 {WIDE_MM:g} {HIGH_MM:g}">'
        f'<rect width="100%" height="100%" fill="#fff"/>{drawn}{words}</svg>\n'
    )


def _png(bars: Sequence[Rect], lines: Sequence[str], symbol: str) -> bytes:
    from matplotlib import font_manager
    from PIL import Image, ImageDraw, ImageFont

    # Whole dots a module, or a scanner sees bars of unequal width.
    least = min(bar[2] for bar in bars)
    dots = max(2, round(least * DOTS_MM)) / least
    picture = Image.new("L", (round(WIDE_MM * dots), round(HIGH_MM * dots)), 255)
    pen = ImageDraw.Draw(picture)
    for x, y, w, h in bars:
        pen.rectangle((round(x * dots), round(y * dots), round((x + w) * dots) - 1, round((y + h) * dots) - 1), fill=0)
    font = font_manager.findfont("DejaVu Sans Mono")
    for x, y, size, text in _places(lines, symbol):
        pen.text((x * dots, y * dots), text, fill=0, font=ImageFont.truetype(font, round(size * dots)), anchor="ls")
    out = BytesIO()
    picture.save(out, "PNG", dpi=(dots * 25.4, dots * 25.4))
    return out.getvalue()


def _pdf(svg: str) -> bytes:
    import tempfile
    from pathlib import Path

    import typst

    with tempfile.TemporaryDirectory(prefix="benchd-label-") as folder:
        (Path(folder) / "label.svg").write_text(svg, encoding="utf-8")
        source = Path(folder) / "label.typ"
        source.write_text(
            f'#set page(width: {WIDE_MM:g}mm, height: {HIGH_MM:g}mm, margin: 0mm)\n#image("label.svg", width: 100%)\n',
            encoding="utf-8",
        )
        return bytes(typst.compile(str(source)))
