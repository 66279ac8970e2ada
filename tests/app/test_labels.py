"""Labels of tested units: what stands on them, and what an independent reader reads back."""

from __future__ import annotations

import io
import random
import string
import xml.etree.ElementTree as ET
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import zxingcpp
from PIL import Image
from pypdf import PdfReader

from benchd.errors import UsageError
from benchd.lots import labels

READ = {"code128": zxingcpp.BarcodeFormat.Code128, "datamatrix": zxingcpp.BarcodeFormat.DataMatrix}
TYPICAL = [
    "VR20-004211",
    "7",
    "998483",
    "999",
    "9985902683776830",
    "a b/c.d-e_f",
    "~!\"#$%&'()*+,",
    "0000000000000000000000",
]


def certificate(serial: str = "VR20-004211", verdict: str = "pass", **unit: Any) -> dict[str, Any]:
    more = {"verdict": verdict, "title": "", "attempt": 1, "started": "2026-11-26T09:14:02.123+00:00", **unit}
    lot = {"lot": "VR20-0117", "kind": "lot", "part": "VR-20"}
    return {"lot": lot, "unit": {"serial": serial, **more}, "rule": "guarded acceptance"}


def read_back(png: bytes, symbol: str) -> list[str]:
    found = zxingcpp.read_barcodes(np.asarray(Image.open(io.BytesIO(png))), formats=READ[symbol])
    return [one.text for one in found]


def serials(count: int, most: int, seed: int) -> list[str]:
    chance = random.Random(seed)
    signs = (string.digits, string.ascii_uppercase + string.digits + "-", "".join(map(chr, range(33, 127))))
    return ["".join(chance.choices(signs[place % 3], k=chance.randint(1, most))) for place in range(count)]


@pytest.mark.parametrize("symbol", labels.SYMBOLS)
def test_an_independent_reader_reads_the_serial_number_from_the_png(symbol: str) -> None:
    for serial in [*TYPICAL, *serials(60, 12 if symbol == "code128" else 64, 7)]:
        assert read_back(labels.label(certificate(serial), symbol, "png"), symbol) == [serial]


def test_many_symbols_are_read_back_module_by_module() -> None:
    for serial in serials(400, 40, 11):
        modules = np.frombuffer(labels.code128(serial).encode(), np.uint8) - 48
        row = np.pad(np.repeat(255 * (1 - modules), 3), 30, constant_values=255).astype(np.uint8)
        (found,) = zxingcpp.read_barcodes(np.tile(row, (40, 1)), formats=READ["code128"])
        assert found.text == serial


@pytest.mark.parametrize("symbol", labels.SYMBOLS)
def test_quiet_zones_are_white(symbol: str) -> None:
    """Code 128: 10 modules left and right (ISO/IEC 15417); Data Matrix: 1 module around (ISO/IEC 16022). Both from memory."""
    for serial in ("VR20-004211", "X" * 18, "1" * 38):
        boxes, words = labels._laid_out(labels._said(certificate(serial)), symbol)
        module = min(box.wide for box in boxes)
        quiet = module * (10 if symbol == "code128" else 1)
        left, right = min(box.x for box in boxes), max(box.x + box.wide for box in boxes)
        assert left >= quiet
        assert 50 * 16 - right >= quiet
        if symbol == "datamatrix":
            assert all(labels._fitted(one)[2] >= right + quiet for one in words)
            assert min(box.y for box in boxes) >= quiet


@pytest.mark.parametrize(
    ("symbol", "serial"),
    [
        ("code128", "VR20-004211"),
        ("code128", "W" * 17),
        *(("datamatrix", one) for one in ("VR20-004211", "W" * 30, "W" * 64)),
    ],
)
def test_every_line_stays_on_the_label(symbol: str, serial: str) -> None:
    for found in (certificate(serial), certificate(serial, "fail", title="W" * 80, attempt=12)):
        _, words = labels._laid_out(labels._said(found), symbol)
        for one in words:
            text, size, left = labels._fitted(one)
            assert left >= 0
            assert left + labels._width(text, size, one.bold) <= 50 * 16
        assert serial in "".join(labels._fitted(one)[0] for one in words)
        if symbol == "datamatrix":
            lines = sorted(words, key=lambda one: one.y)
            assert all(low.y - labels._fitted(low)[1] * 0.75 >= high.y for high, low in pairwise(lines))


@pytest.mark.parametrize("verdict", ["fail", "undecided"])
def test_a_unit_that_did_not_pass_is_marked(verdict: str) -> None:
    found = certificate(verdict=verdict, title="set-point too high", attempt=2)
    said = labels.label(found, form="txt").decode()
    assert said.splitlines() == [
        "VR20-004211",
        "VR-20, lot VR20-0117",
        "NOT PASSED, test 2, 2026-11-26",
        "set-point too high",
        "guarded acceptance",
    ]
    assert b'fill="#fff" d="M' in labels.label(found, form="svg")
    assert b'fill="#fff" d="M' not in labels.label(certificate(), form="svg")


def test_a_unit_whose_bench_was_found_bad_after_it_is_not_marked_as_passed() -> None:
    found = {**certificate(), "doubtful": [{"says": "1 unit was judged on rig 1"}]}
    said = labels.label(found, form="txt").decode().splitlines()
    assert said[2:4] == ["TEST AGAIN, 2026-11-26", "bench was in doubt"]


def test_a_retest_is_counted_on_the_label() -> None:
    assert "PASSED, test 2" in labels.label(certificate(attempt=2), form="txt").decode()


@pytest.mark.parametrize("symbol", labels.SYMBOLS)
def test_svg_and_pdf_are_of_the_label_s_size_and_the_same_each_time(symbol: str) -> None:
    svg = labels.label(certificate("<a&b>"), symbol, "svg")
    root = ET.fromstring(svg)
    assert (root.get("width"), root.get("height")) == ("50mm", "25mm")
    assert root[0].text == "<a&b>"
    pdf = labels.label(certificate("<a&b>"), symbol, "pdf")
    (page,) = PdfReader(io.BytesIO(pdf)).pages
    assert (float(page.mediabox.width) / 72 * 25.4, float(page.mediabox.height) / 72 * 25.4) == pytest.approx((50, 25))
    for form, made in (("svg", svg), ("pdf", pdf), ("png", labels.label(certificate("<a&b>"), symbol, "png"))):
        assert labels.label(certificate("<a&b>"), symbol, form) == made


@pytest.mark.parametrize(
    ("found", "symbol", "form", "told"),
    [
        (certificate("Größe-7"), "code128", "png", "Code 128 cannot carry 'ö'"),
        (certificate("电池-7"), "datamatrix", "svg", "Data Matrix cannot carry '电'"),
        (certificate("x" * 64), "code128", "svg", "64 characters: .* use --symbol datamatrix"),
        (certificate(), "qr", "svg", "symbol: found 'qr'"),
        (certificate(), "code128", "gif", "form: found 'gif'"),
        ({**certificate(), "lot": {"lot": "REF-A", "kind": "standard"}}, "code128", "svg", "REF-A, a standard"),
    ],
)
def test_what_makes_no_label_is_said(found: dict[str, Any], symbol: str, form: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        labels.label(found, symbol, form)
