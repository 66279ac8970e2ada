"""How the SCPI driver behaves towards an instrument that somebody else set up."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest
from benchd_drivers.scpi import DRIVER, function_of, identity_of, reading_of

from benchd.core.readings import Notice, Quantity, Reading
from benchd.wire import Settings

VOLTS = Settings(((Quantity.DC_VOLTS, ""),))


def conversation(
    settings: Settings, answers: dict[str, str], rounds: int
) -> Iterator[tuple[str, list[Reading | Notice]]]:
    """(question, what came of it) with a meter that answers each question alike."""
    decoder = DRIVER.make(settings)
    for _ in range(rounds):
        while request := decoder.request():
            question = request.data.decode().strip()
            answer = answers.get(question)
            if answer is not None:
                yield question, decoder.receive(answer.encode() + b"\n")
            else:
                yield question, [] if decoder.answered else decoder.timed_out()


METER = {"*IDN?": "A,B,C,D", "SYST:ERR?": '0,"No error"', "FUNC?": '"VOLT"', "READ?": "12.65"}


def test_nothing_is_reset_and_a_right_dial_is_left_alone() -> None:
    asked = {question for question, _ in conversation(VOLTS, METER, 200)}
    assert asked == {"*IDN?", "SYST:ERR?", "FUNC?", "READ?"}


def test_a_wrong_dial_is_configured_once_and_then_only_reported() -> None:
    talk = list(conversation(VOLTS, METER | {"FUNC?": '"CURR:AC"'}, 20))
    assert [question for question, _ in talk].count("CONF:VOLT:DC") == 1
    readings = [one for _, said in talk for one in said if isinstance(one, Reading)]
    assert len(readings) == 19
    assert {one.quantity for one in readings} == {Quantity.AC_AMPS}


def test_configure_false_sends_questions_only() -> None:
    settings = Settings(VOLTS.functions, {"configure": False})
    asked = {question for question, _ in conversation(settings, METER | {"FUNC?": '"FREQ"'}, 20)}
    assert all(question.endswith("?") for question in asked)


def test_an_error_queue_without_end_is_cleared_after_thirty_entries() -> None:
    talk = list(conversation(VOLTS, METER | {"SYST:ERR?": '-350,"Queue overflow"'}, 1))
    questions = [question for question, _ in talk]
    assert questions.count("*CLS") == 1
    assert questions.index("*CLS") == 31  # *IDN? and thirty entries before it
    shown = [one.text for _, said in talk for one in said if isinstance(one, Notice) and one.kind == "error"]
    assert shown == ["-350 Queue overflow"] * 30


def test_errors_during_a_run_are_shown_too() -> None:
    """The queue is read again every 50 rounds."""
    questions = [question for question, _ in conversation(VOLTS, METER, 101)]
    assert questions.count("SYST:ERR?") == 3


def test_a_meter_that_is_silent_is_asked_for_its_identity_only() -> None:
    questions = []
    decoder = DRIVER.make(VOLTS)
    for _ in range(5):
        request = decoder.request()
        assert request is not None
        questions.append(request.data)
        assert [one.kind for one in decoder.timed_out() if isinstance(one, Notice)] == ["timeout"]
    assert questions == [b"*IDN?\n"] * 5


def test_lines_that_nobody_asked_for_are_no_readings() -> None:
    decoder = DRIVER.make(VOLTS)
    (notice,) = decoder.receive(b"12.65\n")
    assert isinstance(notice, Notice)
    assert notice.kind == "garbage"


@pytest.mark.parametrize(
    ("answer", "quantity"),
    [
        ('"VOLT"', Quantity.DC_VOLTS),
        ('"VOLTage:DC"', Quantity.DC_VOLTS),
        ("volt:ac", Quantity.AC_VOLTS),
        ('"CURR:AC"', Quantity.AC_AMPS),
        ('"FREQuency"', Quantity.FREQUENCY),
        ('"FREQ 1"', Quantity.FREQUENCY),
        ('"RESistance"', Quantity.RESISTANCE),
        ('"DIODe"', Quantity.OTHER),
    ],
)
def test_function_names_in_long_and_short_form(answer: str, quantity: Quantity) -> None:
    assert function_of(answer) is quantity


@pytest.mark.parametrize(
    "late", ["+1.2E+01", '"VOLT:DC"', "VOLT", '-113,"Undefined header"', "0,No error", "1", "\x07A"]
)
def test_no_late_answer_passes_for_an_identity(late: str) -> None:
    with pytest.raises(ValueError, match="not an identity"):
        identity_of(late)


@pytest.mark.parametrize(
    ("text", "resolution"),
    [
        ("12.650", "0.001"),
        ("+1.265E+01", "0.01"),
        ("+1.265000E+01", "0.00001"),
        ("+1.26500000E+01", None),
        ("12", "1"),
    ],
)
def test_resolution_is_told_only_by_digits_that_are_shown(text: str, resolution: str | None) -> None:
    assert reading_of(Quantity.DC_VOLTS, text).resolution == (resolution and Decimal(resolution))
