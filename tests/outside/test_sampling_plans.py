"""Single sampling plans for normal inspection against published tables.

Table II-A of MIL-STD-105E (general level II, AQL 0.65 to 10) as a federal agency's handbook reprints it, and its master table's rows on a
document-sharing page; the two agree. Status: read (secondary, two independent copies).
"""

from __future__ import annotations

import pytest

from benchd.core.lots.sampling import AQLS, SAMPLES, chance_of_acceptance, column, decided, letter_of, plan_of

#: Rejection numbers; 'v' use the first plan below, '^' above, '|' the arrow goes on.
PRINTED_AQLS = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
PRINTED = {
    "A": "| | | | v 1 ^",
    "B": "| | | v 1 ^ v",
    "C": "| | v 1 ^ v 2",
    "D": "| v 1 ^ v 2 3",
    "E": "v 1 ^ v 2 3 4",
    "F": "1 ^ v 2 3 4 6",
    "G": "^ v 2 3 4 6 8",
    "H": "v 2 3 4 6 8 11",
    "J": "2 3 4 6 8 11 15",
    "K": "3 4 6 8 11 15 22",
    "L": "4 6 8 11 15 22 ^",
    "M": "6 8 11 15 22 ^ |",
    "N": "8 11 15 22 ^ | |",
    "P": "11 15 22 ^ | | |",
    "Q": "15 22 ^ | | | |",
}
LETTERS = list(PRINTED)


def printed(letter: str, aql: float) -> tuple[str, int]:
    """The plan that the printed table leads to: (letter, acceptance number)."""
    place = PRINTED_AQLS.index(aql)
    at = LETTERS.index(letter)
    step = 0
    while not (cell := PRINTED[LETTERS[at]].split()[place]).isdigit():
        if cell != "|":
            step = 1 if cell == "v" else -1
        elif not step:  # the shaft of an arrow: its head is below in the upper half, above in the lower
            step = 1 if at < 6 else -1
        if at + step < 0:
            step = 1  # no plan above the first row: the column begins below
        at += step
    return LETTERS[at], int(cell) - 1


@pytest.mark.parametrize("aql", PRINTED_AQLS)
@pytest.mark.parametrize("letter", LETTERS)
def test_every_plan_of_the_printed_table(letter: str, aql: float) -> None:
    assert column(letter, aql) == printed(letter, aql)


@pytest.mark.parametrize(
    ("most", "letter", "size"),
    [(8, "A", 2), (15, "B", 3), (25, "C", 5), (50, "D", 8), (90, "E", 13), (150, "F", 20), (280, "G", 32), (500, "H", 50), (1200, "J", 80),
     (3200, "K", 125), (10_000, "L", 200), (35_000, "M", 315), (150_000, "N", 500), (500_000, "P", 800), (10**7, "Q", 1250)],
)  # fmt: skip
def test_code_letters_and_sample_sizes_of_general_level_ii(most: int, letter: str, size: int) -> None:
    assert letter_of(most, "II") == letter
    assert SAMPLES[letter] == size


def test_smaller_levels_never_take_more_and_the_letters_grow_with_the_lot() -> None:
    """Structure of table I: letters from memory."""
    letters = list(SAMPLES)
    for size in (2, 9, 16, 26, 51, 91, 151, 281, 501, 1201, 3201, 10_001, 35_001, 150_001, 500_001):
        row = [letters.index(letter_of(size, level)) for level in ("S-1", "S-2", "S-3", "S-4", "II")]
        assert row == sorted(row)
        assert (
            letters.index(letter_of(size, "I"))
            <= letters.index(letter_of(size, "II"))
            < letters.index(letter_of(size, "III"))
        )


def test_a_lot_of_the_aql_is_mostly_accepted_by_every_plan() -> None:
    """105E, 4.9.1: the AQL is what is accepted most of the time; between 87 and 99.5 % over all plans (computed)."""
    for aql in AQLS:
        for size in (100, 1000, 10_000):
            plan = plan_of(f"attributes, general II, AQL {aql:g}", size)
            assert 0.85 < chance_of_acceptance(plan, aql / 100) < 0.9999


def test_a_plan_decides_and_says_by_what() -> None:
    plan = plan_of("attributes, general II, AQL 0.65", 1000)
    assert (plan.letter, plan.size, plan.accept, plan.reject) == ("J", 80, 1, 2)
    assert decided(plan, 40, 0)["decision"] is None
    assert "40 more units" in decided(plan, 40, 0)["says"]
    assert decided(plan, 40, 2)["decision"] == "reject"
    assert decided(plan, 80, 1)["decision"] == "accept"
    assert "MIL-STD-105E" in decided(plan, 80, 1)["says"]


def test_a_sample_as_large_as_the_lot_is_the_lot() -> None:
    assert plan_of("attributes, general II, AQL 0.10", 60).size == 60


@pytest.mark.parametrize(
    ("text", "told"),
    [("variables, AQL 1", "expected words like"), ("attributes, general II, AQL 0.7", "expected one of 0.01"), ("attributes, general IV, AQL 1", "expected words like")],
)  # fmt: skip
def test_what_is_no_plan_is_told(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        plan_of(text, 1000)
    with pytest.raises(ValueError, match="needs no sampling plan"):
        plan_of("attributes, general II, AQL 1.0", 1)
