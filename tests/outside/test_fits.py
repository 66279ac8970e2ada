"""The fits against NIST Statistical Reference Datasets (certified values; read in public copies of the .dat files).

Works of the United States government, not subject to copyright there.
"""

import math

import pytest

from benchd.core import fits, series

NORRIS_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0]
NORRIS_X += [447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3]
NORRIS_X += [229.2, 669.1, 448.9, 0.5]
NORRIS_Y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3]
NORRIS_Y += [448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6]
NORRIS_Y += [228.9, 668.4, 449.2, 0.2]

MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]

BOXBOD_X = [1, 2, 3, 5, 7, 10]
BOXBOD_Y = [109, 149, 149, 191, 213, 224]


def test_norris_straight_line() -> None:
    fitted = series.line(NORRIS_X, NORRIS_Y, correlated=False)
    assert fitted.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fitted.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fitted.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert fitted.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert fitted.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert fitted.dof == 34


POINTS = {"Misra1a": (MISRA1A_X, MISRA1A_Y), "BoxBOD": (BOXBOD_X, BOXBOD_Y)}
#: Amplitude, rate, their standard deviations, residual sum of squares, residual standard deviation.
CERTIFIED = {
    "Misra1a": (2.3894212918e02, 5.5015643181e-04, 2.7070075241, 7.2668688436e-06, 1.2455138894e-01, 1.0187876330e-01),
    "BoxBOD": (2.1380940889e02, 5.4723748542e-01, 1.2354515176e01, 1.0455993237e-01, 1.1680088766e03, 1.7088072423e01),
}


# The starts that NIST prescribes, and none. The far BoxBOD start defeats plain Gauss-Newton (memory).
@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("Misra1a", None),
        ("Misra1a", (500, 0.0001)),
        ("Misra1a", (250, 0.0005)),
        ("BoxBOD", None),
        ("BoxBOD", (1, 1)),
        ("BoxBOD", (100, 0.75)),
    ],
)
def test_saturating_exponential(name, start) -> None:
    amplitude, rate, u_amplitude, u_rate, residual_ss, residual_sd = CERTIFIED[name]
    fitted, why = fits.exponential_rise(*POINTS[name], start)
    assert fitted is not None, why
    assert fitted.amplitude == pytest.approx(amplitude, rel=1e-8)
    assert fitted.rate == pytest.approx(rate, rel=1e-7)
    assert fitted.u_amplitude == pytest.approx(u_amplitude, rel=1e-7)
    assert fitted.u_rate == pytest.approx(u_rate, rel=1e-7)
    assert fitted.residual_ss == pytest.approx(residual_ss, rel=1e-9)
    assert fitted.residual_sd == pytest.approx(residual_sd, rel=1e-9)
    assert fitted.u_end == pytest.approx(u_amplitude, rel=1e-7)


def test_misra1a_time_constant() -> None:
    fitted, _ = fits.exponential_rise(MISRA1A_X, MISRA1A_Y)
    assert fitted is not None
    assert fitted.time_constant == pytest.approx(1817.66, abs=0.01)  # computed from the certified rate
    assert fitted.at(fitted.time_constant)[0] == pytest.approx(fitted.end * (1 - math.exp(-1)))
