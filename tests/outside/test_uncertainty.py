"""Budgets, coverage, conformity and guard bands against published figures.

Status beside each source: read = the figure was seen in print or in the named copy; memory = recalled; computed = follows
from the definition and was recomputed apart from this code.
"""

import math

import pytest
from scipy import integrate, optimize, special

from benchd.core import accuracy, budget
from benchd.core.budget import Component
from benchd.core.readings import Quantity
from benchd.core.specs import AccuracyLine, ChannelModel, Rule

# --- JCGM 100:2008 (GUM), example H.1, end gauge. Lengths in nm, temperatures in degC. Inputs and results: read, in two
# --- public codings of the example (MSLNZ/GTC, sandialabs/suncal); the GUM itself was not seen.

NOMINAL_NM = 50_000_623.0
ALPHA = 11.5e-6


def h1_comparison() -> list[Component]:
    """The parts of d, the difference that the comparator shows, rounded as the example rounds them."""
    return [
        Component("repeat observations", 5.8, 24),
        Component("comparator, random", 3.9, 5),
        Component("comparator, systematic", 6.7, 8),
    ]


def h1() -> list[Component]:
    u_d, dof_d = budget.combine(h1_comparison())
    theta = 0.1  # the mean bed temperature is 0.1 degC off 20 degC
    return [
        Component("standard", 75 / 3, 18),
        Component("difference", u_d, dof_d),
        Component("difference of expansion", budget.rectangular(1e-6), 50).scaled(NOMINAL_NM * theta),
        Component("difference of temperature", budget.rectangular(0.05), 2).scaled(NOMINAL_NM * ALPHA),
    ]


def test_gum_h1_inputs_have_the_published_standard_uncertainties() -> None:
    assert round(10 / budget.coverage_factor(5, 0.95), 1) == 3.9  # comparator, 95 % of +/-10 nm at 5 dof: read
    assert round(20 / 3, 1) == 6.7  # 20 nm at three sigma: read
    swing = math.hypot(0.2, budget.arcsine(0.5))  # mean bed temperature 0.2 with a cycle of +/-0.5
    assert round(swing, 2) == 0.41  # read


def test_gum_h1_contributions() -> None:
    standard, difference, expansion, temperature = (one.u for one in h1())
    assert standard == 25  # read
    assert round(difference, 1) == 9.7  # read
    assert round(expansion, 1) == 2.9  # read
    assert round(temperature, 1) == 16.6  # read


def test_gum_h1_difference_has_25_and_a_half_degrees_of_freedom() -> None:
    u, dof = budget.combine(h1_comparison())
    assert u == pytest.approx(9.682, abs=5e-3)  # computed
    assert dof == pytest.approx(25.6, abs=0.3)  # read 25.6; computed 25.45


def test_gum_h1_combined_and_expanded() -> None:
    u, dof = budget.combine(h1())
    assert round(u) == 32  # read
    assert u == pytest.approx(31.664, abs=5e-3)  # computed
    assert math.floor(dof) == 16  # read, +/-1; computed 16.75
    k = budget.coverage_factor(dof, 0.99)
    assert round(k, 2) == 2.92  # memory; computed t99(16) = 2.921
    assert round(k * round(u)) == 93  # memory: U99 = 93 nm


def test_gum_h1_with_second_order_terms() -> None:
    # Read: the terms add 11.7 and 1.7 nm, uc = 34 nm with 21.6 degrees of freedom.
    u, dof = budget.combine([*h1(), Component("second order", 11.7), Component("second order", 1.7)])
    assert round(u) == 34
    assert dof == pytest.approx(21.6, abs=0.3)


# --- Divisors. GUM 4.3, as coded in MSLNZ/GTC type_b: read. Display resolution: computed.


@pytest.mark.parametrize(
    ("divisor", "expected"),
    [(budget.rectangular, 0.577350), (budget.triangular, 0.408248), (budget.arcsine, 0.707107)],
)
def test_divisors(divisor, expected) -> None:
    assert divisor(1.0) == pytest.approx(expected, abs=5e-7)


def test_display_resolution_divisor() -> None:
    assert budget.display(1.0) == pytest.approx(0.288675, abs=5e-7)


# --- Welch-Satterthwaite, GUM G.4.1: formula read, this small case computed by hand.


def test_welch_satterthwaite_small_case() -> None:
    u, dof = budget.combine([Component("a", 3, 4), Component("b", 4, 9)])
    assert u == 5
    assert dof == pytest.approx(625 / (81 / 4 + 256 / 9))
    assert budget.coverage_factor(dof) == pytest.approx(2.179, abs=5e-4)  # t95(12)


# Student's t, two-sided 95 % and 99 %: GUM table G.2, memory.
@pytest.mark.parametrize(
    ("dof", "t95", "t99"),
    [(1, 12.71, 63.66), (2, 4.30, 9.92), (5, 2.57, 4.03), (10, 2.23, 3.17), (20, 2.09, 2.85), (math.inf, 1.960, 2.576)],
)
def test_student_t_table(dof, t95, t99) -> None:
    assert budget.coverage_factor(dof, 0.95) == pytest.approx(t95, abs=5.1e-3)
    assert budget.coverage_factor(dof, 0.99) == pytest.approx(t99, abs=5.1e-3)


# --- Meter statements +/-(p % of reading + n counts): two instrument shops' pages and a university page, read; the
# --- last row is a made-up meter, computed. Standard uncertainties: computed.


@pytest.mark.parametrize(
    ("volts", "percent", "counts", "count", "limit", "u"),
    [
        (32.00, 2.5, 3, 0.01, 0.83, 0.479),
        (100.0, 0.8, 2, 0.1, 1.0, 0.577),
        (2.000, 0.08, 2, 0.001, 0.0036, 0.00208),
        (14.20, 0.5, 3, 0.01, 0.101, 0.0583),
    ],
)
def test_meter_statements(volts, percent, counts, count, limit, u) -> None:
    line = AccuracyLine(Quantity.DC_VOLTS, percent, counts, count)
    statement = accuracy.uncertainty(ChannelModel("battery_volts", (line,)), volts, with_display=False)
    assert [one.name for one in statement] == ["meter's accuracy statement"]
    assert statement[0].u * math.sqrt(3) == pytest.approx(limit, rel=1e-9)
    assert statement[0].u == pytest.approx(u, rel=2e-3)


def test_a_statement_at_99_percent_is_divided_by_2_58() -> None:
    # Training slides on the uncertainty of multimeters, 2011, page 41: read.
    line = AccuracyLine(Quantity.DC_VOLTS, 0, 1, 1.0, confidence=0.99)
    (statement,) = accuracy.uncertainty(ChannelModel("battery_volts", (line,)), 0.0, with_display=False)
    assert 1 / statement.u == pytest.approx(2.58, abs=5e-3)


# --- JCGM 106:2012, conformance probabilities. Clauses 7.3.3, 7.4: memory (figures recomputed).


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        pytest.param(-5.47, 0.05, None, -5.40, 0.9192, id="Zener breakdown, upper limit"),
        pytest.param(509.7, 8.6, 490.0, None, 0.9890, id="container burst strength, lower limit"),
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.6626, id="motor-oil viscosity, two-sided"),
    ],
)
def test_conformance_probabilities(value, u, low, high, probability) -> None:
    assert budget.probability_within(value, u, low, high) == pytest.approx(probability, abs=1.1e-4)


def test_speed_enforcement_acts_from_107_km_per_hour() -> None:
    # JCGM 106 8.3.3, guarded rejection at 99.9 %, relative u of 2 %: memory.
    def verdict(speed: float) -> str:
        probability = budget.probability_within(speed, 0.02 * speed, None, 100.0)
        return budget.decide(Rule.GUARDED_REJECTION, probability, speed <= 100, 0.001)

    assert 100 / (1 - budget.one_sided_factor(math.inf, 0.001) * 0.02) == pytest.approx(106.6, abs=0.05)
    assert [verdict(speed) for speed in (99, 101, 106, 107)] == ["pass", "undecided", "undecided", "fail"]


# --- JCGM 106 9.5.4, ball bearings: radial error motion with a gamma prior (shape 4, rate 4 per um), limit 2 um,
# --- u = 0.25 um. Read in a public coding (sandialabs/suncal); recomputed.

LIMIT_UM, U_UM = 2.0, 0.25


def prior(motion: float) -> float:
    return float(4**4 * motion**3 * math.exp(-4 * motion) / special.gamma(4))


def consumers_risk(acceptance: float) -> float:
    """Probability that a bearing is bad and accepted all the same."""

    def bad_and_accepted(motion: float) -> float:
        return prior(motion) * budget.probability_within(motion, U_UM, None, acceptance)

    return float(integrate.quad(bad_and_accepted, LIMIT_UM, 8, epsabs=1e-12)[0])


def test_ball_bearing_global_risk() -> None:
    assert integrate.quad(prior, LIMIT_UM, 20)[0] == pytest.approx(0.04238, abs=1e-5)  # bad, uninspected
    assert consumers_risk(LIMIT_UM) == pytest.approx(0.00802, abs=5e-6)


def test_ball_bearing_guard_band_for_a_tenth_of_a_percent() -> None:
    acceptance = optimize.brentq(lambda limit: consumers_risk(limit) - 0.001, 1.0, LIMIT_UM)
    assert acceptance == pytest.approx(1.672, abs=1e-3)
    assert LIMIT_UM - acceptance == pytest.approx(0.328, abs=1e-3)


# --- ILAC-G8:09/2019, guard-band table: w in units of U = 2u, worst-case risk on the acceptance limit: read in a stored
# --- laboratory procedure. Second figure exact, computed: Phi(-2 w/U).


@pytest.mark.parametrize(
    ("guard_band_in_u_expanded", "tabulated_below", "exact"),
    [
        pytest.param(3.0, 1e-6, 9.87e-10, id="6 sigma"),
        pytest.param(1.5, 0.0016, 0.00135, id="3 sigma"),
        pytest.param(1.0, 0.025, 0.02275, id="ILAC-G8:2009"),
        pytest.param(0.83, 0.05, 0.0485, id="ISO 14253-1:2017"),
        pytest.param(0.0, 0.5 + 1e-9, 0.5, id="simple acceptance"),
        pytest.param(0.25, 1, 0.3085, id="customer, r = 0.25"),
        pytest.param(0.5, 1, 0.1587, id="customer, r = 0.5"),
        pytest.param(0.75, 1, 0.0668, id="customer, r = 0.75"),
    ],
)
def test_ilac_g8_guard_bands(guard_band_in_u_expanded, tabulated_below, exact) -> None:
    u = 0.05
    acceptance = 15.0 - guard_band_in_u_expanded * 2 * u
    # The risk is the part beyond the limit, asked for directly so that 1e-9 is not lost in 1 - (1 - 1e-9).
    risk = budget.probability_within(acceptance, u, 15.0, None)
    assert risk < tabulated_below
    assert risk == pytest.approx(exact, rel=2e-3)
    assert budget.guard_band(u, exact) == pytest.approx(guard_band_in_u_expanded * 2 * u, abs=1e-4)


@pytest.mark.parametrize(
    ("risk", "factor"),
    [(0.05, 1.6449), (0.025, 1.9600), (0.02, 2.0537), (0.01, 2.3263), (0.005, 2.5758), (0.001, 3.0902)],
)
def test_guard_band_for_a_chosen_risk(risk, factor) -> None:
    assert budget.guard_band(1.0, risk) == pytest.approx(factor, abs=5e-5)  # computed


def test_iso_14253_1_default_is_1_65_standard_uncertainties() -> None:
    # ISO 14253-1:2017, conformance probability 95 %, quoted in a calibration set-up file: read.
    assert budget.guard_band(1.0, 0.05) == pytest.approx(1.65, abs=0.006)
    inside_by = {1.66: "pass", 1.60: "undecided", -0.01: "fail"}
    for room, expected in inside_by.items():
        probability = budget.probability_within(14.7 - room * 0.05, 0.05, None, 14.7)
        assert budget.decide(Rule.GUARDED_ACCEPTANCE, probability, room >= 0, 0.05) == expected


def test_small_samples_need_a_wider_guard_band() -> None:
    # Stored conformity library: at 4 degrees of freedom a 1 % risk needs 3.75 u, not 2.33 u. Read; computed 3.747.
    assert budget.one_sided_factor(4, 0.01) == pytest.approx(3.747, abs=5e-4)
    assert budget.one_sided_factor(math.inf, 0.01) == pytest.approx(2.33, abs=5e-3)


# --- Global risk, NCSLI RP-19 draft table, quoted in a public test (sandialabs/suncal): read. Process centred between
# --- limits +/-1, its sd from the in-tolerance probability, measurement sd a quarter of it, no guard band.


@pytest.mark.parametrize(
    ("in_tolerance", "false_accept_percent"),
    [(0.60, 4.83860), (0.70, 3.92234), (0.80, 2.85583), (0.90, 1.59995), (0.95, 0.87101), (0.99, 0.19992)],
)
def test_false_accept_table(in_tolerance, false_accept_percent) -> None:
    sd = 1 / special.ndtri((1 + in_tolerance) / 2)

    def bad_and_accepted(true: float) -> float:
        density = math.exp(-((true / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))
        return density * budget.probability_within(true, sd / 4, -1.0, 1.0)

    risk = 2 * integrate.quad(bad_and_accepted, 1.0, 1 + 6 * sd, epsabs=1e-12)[0]
    assert 100 * risk == pytest.approx(false_accept_percent, abs=2e-5)
