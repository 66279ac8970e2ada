"""Single sampling plans for normal inspection against published tables and published operating characteristics.

T1 Table II-A of MIL-STD-105E (general level II, AQL 0.65 to 10) as a federal agency's handbook of work statements reprints it, and the
   master table's rows on a document-sharing page; the two agree.
T2 The same table, AQL 0.065 to 0.40, as ISO 2859-1's on an inspection company's page of AQL tables.
T3 Table I (code letters of all seven levels) on that page and on a chart headed ANSI/ASQC Z1.4, MIL-STD-105E, ISO 2859; the two agree
   in all 105 cells. S-2 and S-3 again in an army supply bulletin (SB 740-91-01, table 2-3).
T4 7 CFR 42.140 (food containers), operating characteristic curve 6. T5 A. Birolini, Reliability Engineering, 2007, figure 7.4.
Status of all: read (secondary; the standards themselves were not seen). AQL 0.010 to 0.040: by the table's structure alone, and
first plans read in a public program.
"""

from __future__ import annotations

from itertools import pairwise

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


#: T3: largest lot, then the letters at S-1, S-2, S-3, S-4, I, II, III.
LETTERS_READ = """
8 A A A A A A B
15 A A A A A B C
25 A A B B B C D
50 A B B C C D E
90 B B C C C E F
150 B B C D D F G
280 B C D E E G H
500 B C D E F H J
1200 C C E F G J K
3200 C D E G H K L
10000 C D F G J L M
35000 C D F H K M N
150000 D E G J L N P
500000 D E G J M P Q
100000000 D E H K N Q R
"""


def test_every_code_letter_of_every_level() -> None:
    least = 2
    for row in LETTERS_READ.split("\n")[1:-1]:
        most, *letters = row.split()
        for level, letter in zip(("S-1", "S-2", "S-3", "S-4", "I", "II", "III"), letters, strict=True):
            assert (letter_of(least, level), letter_of(int(most), level)) == (letter, letter), (most, level)
        least = int(most) + 1


#: T2: code letter -> acceptance numbers at AQL 0.065, 0.10, 0.15, 0.25, 0.40; '.' is an arrow.
SMALL_AQLS = (0.065, 0.10, 0.15, 0.25, 0.40)
SMALL = {"G": ". . . . 0", "H": ". . . 0 .", "J": ". . 0 . .", "K": ". 0 . . 1", "L": "0 . . 1 2"}


def test_plans_of_small_aqls() -> None:
    for letter, row in SMALL.items():
        for aql, cell in zip(SMALL_AQLS, row.split(), strict=True):
            used, accept = column(letter, aql)
            assert (used == letter) is (cell != "."), (letter, aql)
            if cell != ".":
                assert accept == int(cell)


def test_diagonals_are_alike() -> None:
    """The table's structure: one code letter further and one AQL less is the same acceptance number, wherever both are plans."""
    letters = list(SAMPLES)
    seen = 0
    for aql, smaller in zip(AQLS[1:], AQLS, strict=False):
        for letter, following in pairwise(letters):
            here, there = column(letter, aql), column(following, smaller)
            if here[0] == letter and there[0] == following and aql != 10.0:
                seen += 1
                assert here[1] == there[1]
    assert seen > 80
    for aql in AQLS:  # an arrow leads to a plan that is there
        for letter in letters:
            used, accept = column(letter, aql)
            assert column(used, aql) == (used, accept)


@pytest.mark.parametrize(
    ("lot", "aql", "size", "accept", "bad", "accepted", "within"),
    [
        (50_000, 0.25, 500, 3, 0.010, 0.26, 0.005),  # T4: "only 26 percent"
        (50_000, 0.25, 500, 3, 0.001, 0.99, 0.01),  # T4: "about 99 percent"
        (150, 0.65, 20, 0, 0.0065, 0.89, 0.015),  # T5: producer's risk 0.11, as read off the curve (exact 0.122)
        (1000, 0.65, 80, 1, 0.0065, 0.91, 0.01),  # T5: 0.09 (exact 0.096)
        (50_000, 0.65, 500, 7, 0.0065, 0.97, 0.015),  # T5: 0.03 (exact 0.020)
    ],
)
def test_published_operating_characteristics(
    lot: int, aql: float, size: int, accept: int, bad: float, accepted: float, within: float
) -> None:
    plan = plan_of(f"attributes, general II, AQL {aql:g}", lot)
    assert (plan.size, plan.accept) == (size, accept)
    assert chance_of_acceptance(plan, bad) == pytest.approx(accepted, abs=within)


def test_a_lot_of_the_aql_is_mostly_accepted_by_every_plan() -> None:
    """105E, 4.9.1: the AQL is what is accepted most of the time; between 87 and 99.5 % over all plans (computed)."""
    for aql in AQLS:
        for size in (100, 1000, 10_000):
            plan = plan_of(f"attributes, general II, AQL {aql:g}", size)
            if plan.size < size:
                assert 0.87 < chance_of_acceptance(plan, aql / 100) < 0.995


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
