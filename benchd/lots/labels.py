"""The label of a tested unit, 50 x 25 mm: its serial number as a symbol and in letters, part, lot, verdict, day, rule.

The symbol holds the serial number and nothing else: it is what a scanner of ours reads back. A unit that did not pass gets a label that
says NOT PASSED in a black field, so that it can be told apart on the shelf, and one whose bench was found bad after it TEST AGAIN; one
that was not tested in a lot gets none. The same certificate gives the same bytes.

Code 128: ISO/IEC 15417, quiet zones of 10 modules. Data Matrix (ECC 200): ISO/IEC 16022, quiet zone of 1 module, here 2. Widths of a
module are whole dots of a printer with 16 dots a mm; the wider ones also of one with 8. No module is narrower than 0.1875 mm: common
practice for hand-held scanners, no source.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from benchd.errors import UsageError
from benchd.plaintext import harmless

Data = Mapping[str, Any]

WIDE_MM, HIGH_MM = 50.0, 25.0
DOTS_PER_MM = 16
SYMBOLS = ("code128", "datamatrix")
FORMS = ("svg", "png", "pdf", "txt")
QUIET_128, QUIET_MATRIX = 10, 2  # modules
_MODULES_128 = (6, 4, 3)  # dots, the widest that fits is taken
_MODULES_MATRIX = (12, 10, 8, 6, 5, 4)
_BARS_MM = (5.2, 8.2)  # top of the bars, their height
_MATRIX_MM = 22.0  # room of a Data Matrix with its quiet zones
_EDGE_MM = 1.5
_SERIAL_LINES = 3  # of a long serial number beside its symbol
_SMALLEST = 0.6  # of a line's letters, before it is cut


@dataclass(frozen=True, slots=True)
class Box:
    """A black rectangle, in dots."""

    x: int
    y: int
    wide: int
    high: int


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text: `x` of its left, middle or right, `y` of its baseline, `size` of its letters, in dots; no wider than `room`."""

    text: str
    x: float
    y: float
    size: float
    room: float
    bold: bool = False
    anchor: str = "left"
    white: bool = False


def label(found: Data, symbol: str = "code128", form: str = "svg") -> bytes:
    """Of a certificate's body (LotDoor.certificate). UsageError for a form or a symbol that does not exist, a serial number that the
    symbol cannot carry, and a unit of no lot."""
    if form not in FORMS:
        raise UsageError(f"form: found {form!r}, expected one of {', '.join(FORMS)}")
    if symbol not in SYMBOLS:
        raise UsageError(f"symbol: found {symbol!r}, expected one of {', '.join(SYMBOLS)}")
    said = _said(found)
    boxes, words = _laid_out(said, symbol)
    if form == "txt":
        return ("\n".join(_lines(said)) + "\n").encode()
    if form == "png":
        return _png(boxes, words)
    svg = _svg(boxes, words, said.serial)
    return svg.encode() if form == "svg" else _pdf(svg)


@dataclass(frozen=True, slots=True)
class _Said:
    serial: str
    part: str
    lot: str
    passed: bool
    verdict: str
    mode: str
    day: str
    rule: str


def _said(found: Data) -> _Said:
    lot, unit = found["lot"], found["unit"]
    serial = str(unit["serial"])
    if lot.get("kind") != "lot":
        raise UsageError(f"{serial[:40]} was tested in {lot['lot']}, a {lot['kind']}: labels are for units of lots")
    doubtful = bool(found.get("doubtful"))
    passed = unit.get("verdict") == "pass" and not doubtful
    attempt = int(unit.get("attempt") or 1)
    return _Said(
        serial,
        harmless(lot.get("part") or ""),
        harmless(lot["lot"]),
        passed,
        ("PASSED" if passed else "TEST AGAIN" if doubtful else "NOT PASSED")
        + (f", test {attempt}" if attempt > 1 else ""),
        ""
        if passed
        else "bench was in doubt"
        if doubtful
        else harmless(unit.get("title") or unit.get("verdict") or ""),
        str(unit.get("started") or "")[:10],
        harmless(found.get("rule") or ""),
    )


def _lines(said: _Said) -> Iterator[str]:
    yield said.serial
    yield f"{said.part}, lot {said.lot}"
    yield f"{said.verdict}, {said.day}"
    if said.mode:
        yield said.mode
    yield said.rule


def _dots(mm: float) -> int:
    return round(mm * DOTS_PER_MM)


def _laid_out(said: _Said, symbol: str) -> tuple[list[Box], list[Words]]:
    if symbol == "datamatrix":
        boxes, left = _matrix(said.serial)
        return _beside(said, boxes, left)
    boxes = _bars(said.serial)
    return _around(said, boxes)


def _around(said: _Said, boxes: list[Box]) -> tuple[list[Box], list[Words]]:
    """Words over and under bars."""
    wide, edge = _dots(WIDE_MM), _dots(_EDGE_MM)
    half = wide / 2 - 1.5 * edge
    words = [
        Words(said.part, edge, _dots(4.0), _dots(2.9), half, bold=True),
        Words(f"lot {said.lot}", wide - edge, _dots(4.0), _dots(2.5), half, anchor="right"),
        Words(said.serial, wide / 2, _dots(16.6), _dots(3.2), wide - 2 * edge, bold=True, anchor="middle"),
    ]
    room = _dots(29.0)
    more, field = _verdict(said, edge, _dots(17.9), room)
    right = wide - edge
    words += more
    words.append(Words(said.day, right, _dots(20.8), _dots(2.4), _dots(16.0), anchor="right"))
    words.append(Words(said.mode or said.rule, right, _dots(23.6), _dots(2.0), _dots(16.5), anchor="right"))
    return [*boxes, *field], words


def _beside(said: _Said, boxes: list[Box], left: int) -> tuple[list[Box], list[Words]]:
    """Words right of a square symbol."""
    room = _dots(WIDE_MM - _EDGE_MM) - left
    words = [
        *_serial_beside(said.serial, left, room),
        Words(said.part, left, _dots(8.8), _dots(2.6), room, bold=True),
        Words(f"lot {said.lot}", left, _dots(11.6), _dots(2.4), room),
        Words(said.day, left, _dots(14.6), _dots(2.4), room),
        Words(said.mode or said.rule, left, _dots(17.2), _dots(2.0), room),
    ]
    more, field = _verdict(said, left, _dots(18.4), room)
    return [*boxes, *field], words + more


def _serial_beside(serial: str, left: int, room: int) -> Iterator[Words]:
    """In one line, or in several small ones where it is long: it is never cut."""
    size = float(_dots(3.4))
    if _width(serial, _SMALLEST * size, True) <= room:
        yield Words(serial, left, _dots(5.0), size, room, bold=True)
        return
    size = min(float(_dots(1.8)), 0.9 * _SERIAL_LINES * room / _width(serial, 1.0, True))
    each = math.ceil(len(serial) / _SERIAL_LINES)
    for place in range(_SERIAL_LINES):
        part = serial[place * each : (place + 1) * each]
        yield Words(part, left, _dots(2.2) + place * round(1.1 * size), size, room, bold=True)


def _verdict(said: _Said, left: int, top: int, room: int) -> tuple[list[Words], list[Box]]:
    """The verdict in large letters; white in a black field where the unit did not pass."""
    high, size = _dots(5.4), _dots(4.0)
    if said.passed:
        return [Words(said.verdict, left, top + _dots(4.3), size, room, bold=True)], []
    inner = room - 2 * _dots(1.2)
    words = Words(said.verdict, left + _dots(1.2), top + _dots(4.1), size, inner, bold=True, white=True)
    wide = round(min(_width(words.text, size, True), inner)) + 2 * _dots(1.2)
    return [words], [Box(left, top, wide, high)]


# --- symbols ------------------------------------------------------------------------------------------------------------


def _bars(serial: str) -> list[Box]:
    _ascii(serial, "Code 128")
    modules = code128(serial)
    room = _dots(WIDE_MM)
    width = next((one for one in _MODULES_128 if (len(modules) + 2 * QUIET_128) * one <= room), 0)
    if not width:
        most = (room // _MODULES_128[-1] - 2 * QUIET_128 - 35) // 11
        raise UsageError(
            f"{serial[:24]}... has {len(serial)} characters: its Code 128 would be wider than a label of {WIDE_MM:g} mm, which takes about "
            f"{most} letters, or {2 * most} digits; use --symbol datamatrix"
        )
    left = (room - len(modules) * width) // 2
    top, high = (_dots(one) for one in _BARS_MM)
    return [Box(left + start * width, top, length * width, high) for start, length in _runs(modules)]


def code128(serial: str) -> str:
    """Modules of a Code 128 symbol as '1' (bar) and '0', without quiet zones."""
    from barcode.codex import Code128

    symbol = Code128(serial)
    if serial.startswith("99"):  # the library takes these two digits for a switch of the code set, and drops them
        symbol._try_to_optimize = lambda encoded: encoded
    built: str = symbol.build()[0]
    return built


def _matrix(serial: str) -> tuple[list[Box], int]:
    """(the dark modules, where words may begin)."""
    _ascii(serial, "the Data Matrix")
    from ppf.datamatrix import DataMatrix

    rows: Sequence[Sequence[int]] = DataMatrix(serial).matrix
    size = max(len(rows), len(rows[0])) + 2 * QUIET_MATRIX
    room = _dots(_MATRIX_MM)
    width = next((one for one in _MODULES_MATRIX if size * one <= room), 0)
    if not width:
        raise UsageError(f"{serial[:24]}... has {len(serial)} characters: too many for a Data Matrix on this label")
    left, top = _dots(_EDGE_MM) + QUIET_MATRIX * width, (_dots(HIGH_MM) - len(rows) * width) // 2
    boxes = [
        Box(left + start * width, top + place * width, length * width, width)
        for place, row in enumerate(rows)
        for start, length in _runs("".join("1" if one else "0" for one in row))
    ]
    return boxes, left + (len(rows[0]) + QUIET_MATRIX) * width + _dots(0.8)


def _ascii(serial: str, symbol: str) -> None:
    odd = next((letter for letter in serial if not " " <= letter <= "~"), None)
    if odd is not None:
        raise UsageError(
            f"{symbol} cannot carry {odd!r} of the serial number {serial[:40]!r}: letters without accents, digits and ASCII signs only"
        )
    if not serial:
        raise UsageError("an empty serial number makes no symbol")


def _runs(modules: str) -> Iterator[tuple[int, int]]:
    """(start, length) of each run of dark modules."""
    start = 0
    while (start := modules.find("1", start)) >= 0:
        end = modules.find("0", start)
        end = len(modules) if end < 0 else end
        yield start, end - start
        start = end


# --- forms --------------------------------------------------------------------------------------------------------------


@cache
def _font_path(bold: bool) -> str:
    """The one font that has most of the world's letters and comes with a library we have anyway."""
    import matplotlib as mpl

    return f"{mpl.get_data_path()}/fonts/ttf/DejaVuSans{'-Bold' if bold else ''}.ttf"


@cache
def _font(size: int, bold: bool) -> Any:
    from PIL import ImageFont

    return ImageFont.truetype(_font_path(bold), size, layout_engine=ImageFont.Layout.BASIC)


def _width(text: str, size: float, bold: bool) -> float:
    """In dots; of large letters scaled down, so that all forms agree."""
    return float(_font(200, bold).getlength(text)) * size / 200


def _fitted(one: Words) -> tuple[str, float, float]:
    """(text, size, left) of a line that keeps to its room: smaller letters, then cut."""
    text, size = one.text, one.size
    wide = _width(text, size, one.bold)
    if wide > one.room:
        size = max(size * one.room / wide, size * _SMALLEST)
        while len(text) > 1 and _width(text, size, one.bold) > one.room:
            text = text.removesuffix("...")[:-1].rstrip() + "..." if len(text) > 4 else text[:-1]
    wide = _width(text, size, one.bold)
    return text, size, one.x - {"left": 0.0, "middle": wide / 2, "right": wide}[one.anchor]


def _png(boxes: Sequence[Box], words: Sequence[Words]) -> bytes:
    from PIL import Image, ImageDraw

    image = Image.new("L", (_dots(WIDE_MM), _dots(HIGH_MM)), 255)
    drawn = ImageDraw.Draw(image)
    for box in boxes:
        drawn.rectangle((box.x, box.y, box.x + box.wide - 1, box.y + box.high - 1), fill=0)
    for one in words:
        text, size, left = _fitted(one)
        drawn.text(
            (round(left), round(one.y)),
            text,
            font=_font(int(size), one.bold),
            fill=255 if one.white else 0,
            anchor="ls",
        )
    into = io.BytesIO()
    dpi = DOTS_PER_MM * 25.4
    image.save(into, "PNG", dpi=(dpi, dpi), optimize=False)
    return into.getvalue()


def _svg(boxes: Sequence[Box], words: Sequence[Words], serial: str) -> str:
    wide, high = _dots(WIDE_MM), _dots(HIGH_MM)
    bars = "".join(f"M{box.x} {box.y}h{box.wide}v{box.high}h-{box.wide}z" for box in boxes)
    letters = "".join(
        f'<path fill="{"#fff" if one.white else "#000"}" d="{_outline(one)}"/>\n' for one in words if one.text.strip()
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE_MM:g}mm" height="{HIGH_MM:g}mm" viewBox="0 0 {wide} {high}">\n'
        f"<title>{escape(harmless(serial))}</title>\n"
        f'<rect width="{wide}" height="{high}" fill="#fff"/>\n<path fill="#000" shape-rendering="crispEdges" d="{bars}"/>\n{letters}</svg>\n'
    )  # fmt: skip


def _outline(one: Words) -> str:
    """A line of text as outlines, so that it looks alike wherever it is shown."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    text, size, left = _fitted(one)
    path = TextPath((0, 0), text, size=size, prop=FontProperties(fname=_font_path(one.bold)), usetex=False)
    steps = {1: "M", 2: "L", 3: "Q", 4: "C", 79: "Z"}
    made = []
    for points, code in path.iter_segments(curves=True, simplify=False):
        places = "" if int(code) == 79 else " ".join(
            f"{left + x:.2f} {one.y - y:.2f}" for x, y in zip(points[::2], points[1::2], strict=True)
        )  # fmt: skip
        made.append(steps[int(code)] + places)
    return "".join(made)


_PAGE = """#set page(width: {wide}mm, height: {high}mm, margin: 0mm)
#set document(date: none)
#image(bytes(sys.inputs.svg), format: "svg", width: 100%, height: 100%)
"""


def _pdf(svg: str) -> bytes:
    import typst

    page = _PAGE.format(wide=f"{WIDE_MM:g}", high=f"{HIGH_MM:g}").encode()
    made = typst.compile(
        page,
        sys_inputs={"svg": svg},
        format="pdf",
        timestamp=0,
    )
    assert isinstance(made, bytes)
    return made
