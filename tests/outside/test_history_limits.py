"""Control limits of single values against printed factors and a printed worked example.

Status beside each source: read = seen in print or in the named copy; memory = recalled; computed = follows from the
definition and was recomputed apart from this code.
"""

from __future__ import annotations

import pytest
from scipy import integrate, stats

from benchd.core import individuals
from benchd.core.individuals import limits_of

# Viscosity of primer paint, batches 1 to 35 (Montgomery, Introduction to Statistical Quality Control, 5th ed., pp. 232
# to 235): read, in the public repository luca-scr/qcc (data/viscosity.txt, docs/articles/qcc.html).
VISCOSITY = (
    34.05, 34.40, 33.59, 35.96, 34.70, 33.51, 33.79, 34.04, 34.52, 33.75,
    33.27, 33.71, 34.03, 34.58, 34.02, 33.97, 34.05, 34.04, 33.73, 34.05,
    34.39, 33.75, 33.40, 33.27, 34.65, 34.80, 34.55, 35.40, 34.75, 34.50,
    34.70, 34.29, 34.61, 34.49, 35.03,
)  # fmt: skip
FIRST_20 = VISCOSITY[:20]


def mean_range_of_two() -> float:
    """d2 for two values: the mean of |x - y| for two independent standard normal values."""
    spread = stats.norm(scale=2**0.5).pdf
    return 2 * float(integrate.quad(lambda x: x * spread(x), 0, 20)[0])


def test_factors_are_the_tabulated_ones() -> None:
    d2 = mean_range_of_two()
    assert round(d2, 3) == 1.128  # Montgomery, Appendix VI, n = 2: read, in a public test file that reproduces it
    assert round(3 / d2, 2) == individuals.E2 == 2.66  # E2 = 3/d2: read; the value 2.66: memory, and computed here
    d3 = (2 - d2**2) ** 0.5  # variance of |x - y| is 2 - d2^2
    assert round(d3, 3) == 0.853  # Appendix VI, n = 2: read
    # D4 = 1 + 3 d3/d2. Appendix VI prints 3.267 for n = 2: read. Exact: 3.26653.
    assert individuals.D4 == 3.267
    assert abs(1 + 3 * d3 / d2 - individuals.D4) < 1e-3


def test_paint_viscosity_has_the_printed_limits() -> None:
    found = limits_of(FIRST_20)
    assert found is not None
    assert round(found.centre, 3) == 34.088  # read
    # Printed: 32.56504 and 35.61096, made with d2 = 1.128 (read); 2.66 in place of 3/1.128 moves them by 0.0003.
    assert found.low == pytest.approx(32.56504, abs=4e-4)
    assert found.high == pytest.approx(35.61096, abs=4e-4)
    assert found.mean_range / 1.128 == pytest.approx(0.5076521, abs=1e-6)  # the printed sigma: read
    assert found.range_high == pytest.approx(1.8708, abs=4e-4)  # computed, from the exact factor


def test_paint_viscosity_batch_4_is_out_as_printed() -> None:
    """Batch 4 (35.96): a temperature controller had failed (read)."""
    found = limits_of(FIRST_20)
    assert found is not None
    assert [place for place, value in enumerate(FIRST_20, 1) if not found.holds(value)] == [4]


def test_paint_viscosity_without_batch_4_as_printed() -> None:
    found = limits_of((*FIRST_20[:3], *FIRST_20[4:]))
    assert found is not None
    assert found.centre == pytest.approx(33.98947, abs=1e-5)  # read
    assert found.low == pytest.approx(32.75425, abs=3e-4)  # read
    assert found.high == pytest.approx(35.2247, abs=3e-4)  # read
    later = [place for place, value in enumerate(VISCOSITY[20:], 21) if not found.holds(value)]
    assert later == [28]  # computed: 35.40 is above the limit


def test_too_few_values_set_no_limits() -> None:
    """Under eight: common practice, no source."""
    assert limits_of(FIRST_20[:7]) is None
    assert limits_of(FIRST_20[:8]) is not None
    assert limits_of(()) is None


def test_values_that_do_not_move_have_limits_without_width() -> None:
    found = limits_of([14.2] * 9)
    assert found is not None
    assert found.low == pytest.approx(14.2)
    assert found.range_high == 0
