"""A run as the page gets it: the same dials and words as the terminal's, and JSON through and through."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import gauge_runs as runs
import pytest
from benchd_dashboards.web import PAGE
from benchd_dashboards.web.view import Fold, sentence


def folded(records: Iterable[Mapping[str, Any]], t_s: float = 1e9) -> Fold:
    fold = Fold()
    for one in records:
        if one.get("t_ns", 0 if one["kind"] == "run-opened" else 10**18) <= runs.ns(t_s):
            fold.apply(one)
    return fold


def strict(body: Mapping[str, Any]) -> dict[str, Any]:
    """Through JSON as a browser reads it: no infinity, no NaN."""
    found: dict[str, Any] = json.loads(json.dumps(body, allow_nan=False))
    return found


def test_a_tile_has_the_numbers_with_their_bands_and_how_the_verdict_stands() -> None:
    tile = strict(folded(runs.regulator_pass(), 120).tile())
    volts, amps, rpm = tile["dials"]
    assert (volts["channel"], volts["unit"], volts["bands"], volts["ceiling"]) == (
        "battery_volts",
        "V",
        [[13.8, 14.7]],
        15.0,
    )
    assert volts["value"] == pytest.approx(float(volts["text"]), abs=0.006)
    assert amps["bands"][1] == [13.5, None], "an open end is null"
    assert (rpm["bands"], rpm["word"]) == ([[3350, 3650]], "In the band")
    assert (tile["title"], tile["machine"], tile["work_order"]) == (
        "Regulator run",
        "Hollin T18 garden tractor",
        "1042",
    )
    assert tile["stands"]["words"]
    assert not tile["ended"]


def test_what_somebody_must_do_is_on_the_tile_and_cautions_only_on_the_runs_own_page() -> None:
    fold = folded(
        [
            runs.opened("regulator"),
            runs.caution(0.1, runs.GAS),
            runs.prompt(0.2, "hook-up", "Clip on.", ["done"], "Off!"),
        ]
    )
    assert [(one["kind"], one["text"]) for one in strict(fold.tile())["attention"]] == [("ask", "Clip on.")]
    told = strict(fold.view())["attention"]
    assert told[0] == {"kind": "ask", "id": "hook-up", "text": "Clip on.", "choices": ["done"], "caution": "Off!"}
    assert ("caution", runs.GAS) in [(one["kind"], one["text"]) for one in told]


def test_over_the_ceiling_comes_before_everything() -> None:
    fold = folded([runs.opened("regulator"), runs.prompt(0.1, "hook-up", "Clip on.", ["done"])])
    for n in range(4):
        fold.apply(runs.sample(1 + n / 2, battery_volts=15.6, charge_amps=14.0, engine_rpm=3500.0))
    first = strict(fold.tile())["attention"][0]
    assert (first["kind"], first["text"]) == ("danger", "Over 15 V, the ceiling: close the throttle.")


def test_the_end_says_verdict_suspect_reasons_and_uncertainty() -> None:
    fold = folded([runs.opened("regulator"), runs.verdict(300, "fail", "regulator", ["Low.", "Very low."])])
    tile, view = strict(fold.tile()), strict(fold.view())
    assert tile["verdict"] == {"verdict": "fail", "word": "Fail", "suspect": "suspect: regulator"}
    assert tile["reason"] == "Low."
    assert "dials" not in tile
    assert view["verdict"]["reasons"] == ["Low.", "Very low."]
    first = view["verdict"]["measured"][0]
    assert first["name"] == "Settled volts"
    assert first["text"].startswith("14.313 ± 0.026 V (k = 2)")


def test_a_run_without_a_verdict_says_how_it_was_closed() -> None:
    closed = {"kind": "run-closed", "t_ns": runs.ns(9), "status": "interrupted", "reason": "the daemon was killed"}
    tile = strict(folded([runs.opened("stator"), closed]).tile())
    assert (tile["verdict"]["verdict"], tile["verdict"]["word"]) == ("none", "No verdict: interrupted")
    assert tile["reason"] == "the daemon was killed"


def test_words_stand_in_a_page_as_sentences() -> None:
    assert sentence("STATOR VOLTS AC, PAIR 2") == "Stator volts AC, pair 2"
    assert sentence("ENGINE RPM") == "Engine RPM"
    assert sentence("") == ""


def test_the_documents_hold_no_script_of_their_own_and_ask_for_nothing_elsewhere() -> None:
    documents = (
        "/",
        "/run/20270304-101500-ab12",
        "/visits",
        "/visit/1042",
        "/lots",
        "/lot/VR20-1",
        "/history",
        "/health",
        "/sign-in",
    )
    for path in documents:
        found = PAGE.asset(path)
        assert found is not None, path
        text = found.body.decode()
        assert text.count("<script") == text.count("<script src=") + text.count('<script type="module" src=')
        assert "://" not in text
        assert " on" + "load=" not in text
    for path in ("/page/../__init__.py", "/page/shop.css/", "/runs", "/page/", "/v1/status"):
        assert PAGE.asset(path) is None


def test_no_script_reads_text_as_markup_or_names_another_host() -> None:
    from benchd_dashboards.web import HERE

    for path in (HERE / "static").glob("*.js"):
        text = path.read_text(encoding="utf-8")
        for word in (
            "innerHTML",
            "outerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "new Function",
            "javascript:",
        ):
            assert word not in text, (path.name, word)
        for line in text.splitlines():
            if "://" in line:
                assert "www.w3.org" in line or "location.host" in line, (path.name, line)
