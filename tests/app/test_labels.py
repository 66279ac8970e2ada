"""Labels, read back by an independent library (zxing-cpp)."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
import zxingcpp
from PIL import Image

from benchd.errors import UsageError
from benchd.lots.labels import label


def certificate(serial: str, verdict: str = "pass") -> dict[str, Any]:
    return {
        "unit": {"serial": serial, "verdict": verdict, "ended": "2026-11-26T01:02:03+00:00", "started": ""},
        "lot": {"part": "VR-20", "lot": "VR20-0117"},
    }


@pytest.mark.parametrize("symbol", ["code128", "datamatrix"])
@pytest.mark.parametrize("serial", ["VR20-004211", "0001", "a b/c.d_e", "X", "1234567890123456", "VR-20 (re) #7"])
def test_a_scanner_reads_the_serial_number_back(serial: str, symbol: str) -> None:
    picture = Image.open(BytesIO(label(certificate(serial), symbol, "png")))
    found = zxingcpp.read_barcodes(picture)
    assert [one.text for one in found] == [serial]
    assert {"code128": "Code128", "datamatrix": "DataMatrix"}[symbol] in str(found[0].format).replace(" ", "")


def test_it_says_in_words_what_it_is_and_what_it_came_to() -> None:
    assert label(certificate("A1"), "code128", "txt").decode().splitlines() == [
        "A1",
        "VR-20  lot VR20-0117",
        "PASS  2026-11-26",
    ]
    assert b"NOT PASSED" in label(certificate("A1", "fail"), "code128", "svg")
    assert b"NOT PASSED (undecided)" in label(certificate("A1", "undecided"), "datamatrix", "svg")


def test_what_a_symbol_cannot_carry_is_refused_with_the_way_out() -> None:
    for symbol in ("code128", "datamatrix"):
        with pytest.raises(UsageError, match="carries ASCII here, no Ä; take a label as .txt"):
            label(certificate("Ä1"), symbol, "svg")
    assert label(certificate("Ä1"), "code128", "txt").decode().startswith("Ä1")
    with pytest.raises(UsageError, match="too thin"):
        label(certificate("A" * 40), "code128", "svg")
    with pytest.raises(UsageError, match="expected code128 or datamatrix"):
        label(certificate("A"), "qr", "svg")


def test_nothing_of_a_serial_number_is_taken_for_markup() -> None:
    assert b"<b>" not in label(certificate("<b>&"), "datamatrix", "svg")
    assert label(certificate("A1"), "code128", "pdf").startswith(b"%PDF")
    assert label(certificate("A1"), "code128", "svg") == label(certificate("A1"), "code128", "svg")
