"""A unit's certificate or test report, gauge studies and check standards: on paper and on a terminal."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from benchd_dashboards.paper import CERTIFICATE, STANDARD, STUDY
from benchd_dashboards.paper.certificate import conforms, probability
from lot_data import certificate, gauge_study, standard
from paper_data import EVIL
from pypdf import PdfReader


def read(pdf: bytes) -> tuple[int, str]:
    pages = PdfReader(io.BytesIO(pdf)).pages
    return len(pages), " ".join(" ".join(page.extract_text() for page in pages).replace("\u200b", "").split())


def words_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", re.sub(r'<img src="[^"]*"', "<img", page)).split())


# --- certificates -------------------------------------------------------------------------------------------------------


def test_a_passed_unit_s_certificate_is_one_page_with_everything_a_customer_asks_for() -> None:
    count, said = read(CERTIFICATE.pdf(certificate()))
    assert count == 1
    for told in (
        "Certificate of conformity", "PASS The unit conforms", "serial number VR20-004211", "Vantry VR-20 (VR-20)", "rebuild specification VR-20",
        "2026-11-26 09:01 UTC on rig 1 by Ines Calder", "Reverse leakage, drive stopped 0.667 mA 0.043 mA 2.1 2 mA at most over 99.99 % pass",
        "Set-point, rated load 14.210 V 0.026 V 2.1 13.9 to 14.5 V over 99.99 % pass", "whole unit: 99.91 %", "ISO 14253-1 and ILAC-G8:09/2019",
        "at most 5 %", "volts TESSLUND M350, serial 118203 2027-09-21", "tach none given not known", "judged by benchd 0.1.0",
        "02cf3511e816c2db768af1e01dab11ec of run 20260", "What this does not say", "Released by",
    ):  # fmt: skip
        assert told.replace("20260", "20261126-091401") in said, told
    assert "All tests of this unit" not in said


@pytest.mark.parametrize("verdict", ["fail", "undecided"])
def test_a_unit_that_did_not_pass_has_a_test_report_that_says_so(verdict: str) -> None:
    page = CERTIFICATE.html(certificate(verdict))
    said = words_of(page)
    assert '<h1 dir="auto">Test report</h1>' in page
    assert (
        f"{verdict.upper()} The unit did NOT pass (set-point too high): this is a test report, no certificate of conformity."
        in said
    )
    assert "14.9 V is beyond 14.5 V" in said
    assert "Released by" not in said
    assert "Certificate of conformity" not in said


def test_a_pass_in_a_study_or_of_a_row_that_contradicts_its_verdict_is_no_certificate() -> None:
    of_study = certificate()
    of_study["lot"]["kind"] = "standard"
    torn = certificate()
    torn["verdict"]["verdict"] = "fail"
    assert conforms(certificate())
    for data in (of_study, torn):
        assert not conforms(data)
        assert "Certificate of conformity" not in words_of(CERTIFICATE.html(data))


def test_a_passed_unit_whose_bench_is_in_doubt_has_no_certificate() -> None:
    data = {**certificate(), "doubtful": [{"says": "1 unit was judged on rig 1 between two checks: test it again"}]}
    said = words_of(CERTIFICATE.html(data))
    assert "Certificate of conformity" not in said
    assert "TEST AGAIN The unit passed, but in doubt" in said
    assert "1 unit was judged on rig 1 between two checks" in said


def test_a_retest_is_shown() -> None:
    said = words_of(CERTIFICATE.html(certificate(attempts=3)))
    assert "It was judged 3 times; this is of the last test." in said
    assert "All tests of this unit in the lot, newest first" in said
    assert "2026-11-26 09:01 FAIL set-point too high rig 1 Ines Calder 20261126-091401-001aa" in said


def test_many_characteristics_attempts_and_hostile_texts_still_are_one_page() -> None:
    data = certificate(attempts=30, serial="W" * 64, bench=EVIL, by=EVIL)
    data["verdict"]["characteristics"] *= 6
    data["instruments"] = [{"name": EVIL, "identity": EVIL, "calibration_due": EVIL}] * 14
    data["lot"].update(title=EVIL, customer=EVIL)
    count, said = read(CERTIFICATE.pdf(data))
    assert count == 1
    assert "24 earlier tests are in the journal" in said
    page = CERTIFICATE.html(data)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_what_was_not_measured_or_not_known_is_said() -> None:
    data = certificate("fail")
    data["verdict"]["characteristics"][0].update(value=None, outcome="skipped", probability_of_conformity=None)
    data["verdict"]["measured"] = {
        "set-point-rated": {"value": 14.9, "unit": "V", "expanded_uncertainty": None, "coverage_factor": None}
    }
    data["verdict"]["characteristics"][1]["probability_of_conformity"] = None
    said = words_of(CERTIFICATE.html(data))
    assert "Reverse leakage, drive stopped not measured 2 mA at most not measured" in said
    assert "14.9 V not known 13.9 to 14.5 V not known FAIL" in said
    assert "The uncertainty of the instruments is not on record." in said


@pytest.mark.parametrize(
    ("p", "told"), [(1.0, "over 99.99 %"), (0.0, "under 0.01 %"), (0.97, "97.00 %"), (0.9998, "99.98 %")]
)
def test_no_probability_is_certain(p: float, told: str) -> None:
    assert probability(p) == told


def test_the_same_certificate_gives_the_same_bytes() -> None:
    assert CERTIFICATE.pdf(certificate()) == CERTIFICATE.pdf(certificate())
    assert CERTIFICATE.html(certificate()) == CERTIFICATE.html(certificate())


# --- gauge studies ------------------------------------------------------------------------------------------------------


def component(one: dict[str, Any], method: str, name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(each for each in one[method]["components"] if each["name"] == name)
    return found


def test_a_study_has_both_methods_side_by_side_and_says_why_they_may_differ() -> None:
    data = gauge_study()
    one = data["characteristics"].pop()
    data["characteristics"] = [one]
    _, said = read(STUDY.pdf(data))
    gauges = [component(one, method, "gauge") for method in ("anova", "range")]
    assert " / ".join(f"{each['percent_study']:.1f}" for each in gauges) in said
    assert " / ".join(f"{each['percent_tolerance']:.1f}" for each in gauges) in said
    assert f"distinct categories {one['anova']['categories']} {one['range']['categories']}" in said
    assert "the cut to a whole number turns a small difference into a whole category" in said
    assert "10 units x 3 benches x 3 trials, in random order (seed 5)" in said
    for each in one["bias"]:
        assert f"{each['bias']:+.3g} {each['low']:+.3g} to {each['high']:+.3g}" in said
    for each in one["says"]:
        assert each in said


def test_a_study_that_is_not_done_and_raters_with_hostile_names() -> None:
    data = gauge_study(("_hidden", EVIL[:60], "rig 3"), left=1)
    data["characteristics"].pop()
    page = STUDY.html(data)
    assert "<script>" not in page
    said = words_of(page)
    assert "1 trials are still to be made" in said
    assert "G10 by rig 3, trial 3" in said


def test_a_study_without_complete_units_says_so() -> None:
    data = gauge_study()
    for one in data["characteristics"]:
        one.update(
            anova=None,
            range=None,
            bias=[],
            means=[],
            ranges=[],
            complete=[],
            says=["too few complete units (0) for a study"],
        )
    assert "too few complete units (0)" in words_of(STUDY.html(data))
    assert any("oo few complete units" in line for line in STUDY.lines(data))


@pytest.mark.parametrize("width", [72, 80, 120])
def test_a_study_on_the_terminal(width: int) -> None:
    data = gauge_study()
    lines = STUDY.lines(data, width, ascii=True)
    assert max(map(len, lines)) <= width
    one = data["characteristics"][1]
    share = component(one, "anova", "gauge")["percent_study"]
    assert any(line.startswith("  gauge (both)") and f"{share:.1f} %" in line and "##" in line for line in lines)
    biases = [line for line in lines if " bias " in line and line.rstrip().endswith(("-", "o", "|"))]
    assert len(biases) == 6
    assert all("o" in line.split("bias")[1] for line in biases)


# --- check standards ----------------------------------------------------------------------------------------------------


def test_a_standard_that_has_moved_names_rules_measurements_and_what_to_do() -> None:
    data = standard(shift=0.03)
    one = data["benches"][0]["characteristics"][0]
    assert one["signals"]
    _, said = read(STANDARD.pdf(data))
    assert "rig 1: NOT in order, 20 measurements" in said
    for signal in one["signals"]:
        assert signal["says"][1:] in said
    assert f"{one['en']:+.2f}" in said
    assert f"To do: {one['do'][0]}" in said
    assert "set-point-rated: 14.22 ± 0.01 V" in said
    assert "2026-11-16 06:00" in said


def test_a_standard_in_control_and_one_never_measured() -> None:
    said = words_of(STANDARD.html(standard()))
    assert "in order, 20 measurements" in said
    assert "in control" in said
    nothing = {**standard(), "benches": [], "gates": []}
    assert "It was not measured on any bench yet." in words_of(STANDARD.html(nothing))
    assert STANDARD.lines(nothing)[-1] == "not measured on any bench yet"
    few = standard(count=3)
    assert "making the baseline" in words_of(STANDARD.html(few))


def test_a_standard_of_hostile_names() -> None:
    data = standard(title=EVIL, notes=[{"at": "", "by": EVIL, "text": EVIL}])
    data["benches"][0].update(bench=EVIL)
    data["benches"][0]["characteristics"][0].update(title=EVIL, says=[EVIL])
    assert "<script>" not in STANDARD.html(data)
    assert all(line.isprintable() for line in STANDARD.lines(data))


@pytest.mark.parametrize("shift", [0.0, 0.03])
def test_a_standard_s_chart_on_the_terminal(shift: float) -> None:
    data = standard(shift)
    lines = STANDARD.lines(data, 80)
    assert max(map(len, lines)) <= 80
    drawn = [line.partition("|")[2] for line in lines if "|" in line]
    assert sum(line.count("o") + line.count("O") for line in drawn) == 20
    assert any("O" in line for line in drawn) is bool(data["benches"][0]["characteristics"][0]["signals"])
    assert any("=" in line for line in drawn)
