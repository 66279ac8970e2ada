"""The page of a machine: its circuit from the spec, its limits, where the meters go; on paper and in a terminal."""

from __future__ import annotations

import io
from typing import Any

import pytest
from benchd_dashboards.paper import MACHINE
from benchd_dashboards.paper.circuit import circuit_of
from click.testing import CliRunner
from paper_data import EVIL, SPEC
from pypdf import PdfReader

from benchd.cli.machine import command
from benchd.errors import UsageError

WIRING = {
    "joints": ["regulator plug, DC pin", "20 A breaker", "key switch, B to R", "battery plus clamp"],
    "ground_joints": ["regulator case", "battery minus clamp"],
    "breaker_amps": 20.0,
    "switch": {"off": ["M - G"], "run": ["B - R"]},
}
RUNS = [
    {
        "procedure": "stator",
        "channels": ["stator_volts"],
        "hook_up": "Unplug the regulator.",
        "cautions": ["Hands off."],
    },
    {"procedure": "crank", "lacks": "no [starting] table, so there is nothing to judge a crank run by."},
]


def page_data(**more: Any) -> dict[str, Any]:
    spec = {**SPEC, **more}
    said = {"file": "hollin-t18.toml", "shop": "", "printed": "2026-11-25T20:15:00+00:00", "program": "benchd 0.1.0"}
    return {"spec": spec, "runs": RUNS, **said}


def test_two_leads_are_one_winding() -> None:
    found = circuit_of(SPEC)
    assert found.leads == ("lead 1", "lead 2")
    assert found.windings == ((0, 1),)


def test_three_pairs_of_three_leads_are_one_winding() -> None:
    found = circuit_of({"stator": {"lead_pairs": ["a - b", "b - c", "a - c"]}})
    assert found.leads == ("a", "b", "c")
    assert found.windings == ((0, 1, 2),)


def test_pairs_without_a_common_lead_are_windings_of_their_own() -> None:
    found = circuit_of({"stator": {"lead_pairs": ["a - b", "c - d"]}})
    assert found.windings == ((0, 1), (2, 3))


def test_a_pair_without_two_names_stands_for_two_leads() -> None:
    assert len(circuit_of({"stator": {"lead_pairs": ["yellow wires"]}}).leads) == 2


def test_joints_are_numbered_through_in_the_spec_s_order() -> None:
    legend = circuit_of({"wiring": WIRING}).legend
    assert [no for no, _, _ in legend] == ["1", "2", "3", "4", "5", "6"]
    assert legend[3] == ("4", "positive side", "battery plus clamp")
    assert legend[4] == ("5", "ground side", "regulator case")


def test_breaker_and_switch_are_drawn_where_a_joint_names_them() -> None:
    assert [part.symbol for part in circuit_of({"wiring": WIRING}).wire] == ["", "breaker", "switch", ""]


def test_a_breaker_that_no_joint_names_is_drawn_too_and_none_where_none_is_known() -> None:
    assert [part.symbol for part in circuit_of({"wiring": {"breaker_amps": 15}}).wire] == ["breaker"]
    assert circuit_of({}).wire == []


def test_pdf_says_limits_joints_switch_and_meters() -> None:
    reader = PdfReader(io.BytesIO(MACHINE.pdf(page_data(wiring=WIRING))))
    said = " ".join(" ".join(page.extract_text() for page in reader.pages).replace("\u200b", "").split())
    for text in (
        "service manual, section 6, page 14",
        "13.8 to 14.7 V",
        "4 positive side battery plus clamp",
        "run B - R",
        "Unplug the regulator.",
        "Hands off.",
        "no [starting] table",
    ):
        assert text in said


def test_html_of_a_machine_without_wiring_and_with_hostile_names() -> None:
    data = page_data(machine={"name": EVIL, "manual": EVIL}, wiring={"joints": [EVIL] * 12, "switch": {EVIL: [EVIL]}})
    made = MACHINE.html(data)
    assert "<script>" not in made
    assert "&lt;script&gt;alert(1)" in made


@pytest.mark.parametrize(
    "wiring", [{}, WIRING, {"joints": [f"joint {one}" for one in range(30)]}, {"joints": ["W" * 200]}]
)
def test_the_terminal_s_page_keeps_to_80_columns(wiring: dict[str, Any]) -> None:
    lines = MACHINE.lines(page_data(wiring=wiring))
    assert max(map(len, lines)) <= 80
    assert any("regulator +" in line for line in lines)
    assert any("13.8 to 14.7 V" in line for line in lines)


@pytest.mark.parametrize("name", ["caldmoor-z42", "hollin-t18", "ostrick-r9"])
def test_the_command_on_every_machine_that_ships(name: str) -> None:
    done = CliRunner().invoke(command, [name])
    assert done.exit_code == 0, done.output
    assert "STATOR" in done.stdout
    assert "CAUTION" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_a_file_of_another_kind_is_refused_before_anything_is_drawn() -> None:
    with pytest.raises(UsageError, match=r"x\.docx: name a file that ends in \.pdf or \.html"):
        command.main(["hollin-t18", "-o", "x.docx"], standalone_mode=False)
