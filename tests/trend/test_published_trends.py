"""Trends, bounds and trend tests that others published or that other libraries compute; each test names its source."""

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS
from tests.trend.noises import even, noise

from nightturn.estimation.least_squares import fit
from nightturn.trend.mann_kendall import mann_kendall, standing_out, tied_variance
from nightturn.trend.slope import Axis, Slope, mixture, usual_steps
from nightturn.trend.time_to_limit import fieller

# Monthly rainfall at Bogra from 1981 to 2010, a year a line, months without a reading left out: tests/data/Monthly Rainfall.csv of
# pyMannKendall (M. M. Hussain, I. Mahmud, Journal of Open Source Software 4(39), 2019, 1556). What follows from it was run with its 1.4.3.
BOGRA = """
32 20 25 189 240 193 379 278 301 0 0 82
0 4 121 234 360 262 120 30 11 1
7 3 31 31 355 102 248 274 308 5 26
11 16 6 48 388 539 431 272 404 186 0 2
0 4 1 54 272 459 235 164 365 135 2
4 0 128 210 163 446 171 462 467 19 13
0 3 17 132 178 338 525 623 145 31 19 3
0 29 25 87 259 756 486 180 292 43 92 1
0 16 2 0 130 253 594 111 273 30 0 4
0 27 24 41 292 378 499 265 320 227 4 0
4 14 8 48 416 240 404 207 733 105 0 112
0 14 0 30 140 202 289 159 424 106 3 0
65 3 14 58 268 466 432 266 240 95 1 0
10 26 4 114 94 289 173 208 263 156 5 0
16 16 14 0 111 475 534 432 471 117 70 1
3 28 7 401 184 283 338 171 335 176 0 0
10 11 9 140 102 208 298 245 220 29 2 27
10 13 26 84 143 367 749 563 283 353 10 0
0 0 0 9 246 265 343 429 168 133 17 0
18 35 76 158 272 250 190 289 466 84 0 0
0 0 0 22 217 299 185 115 344 203 8
0 5 284 123 254 476 496 326 27 20 0
4 53 72 113 214 364 219 220 156 264 0 13
0 0 45 90 137 638 529 261 206 251 0 0
5 9 58 72 138 130 471 328 356 523 0 1
0 0 12 143 193 184 192 138 174 69 1 0
0 18 25 28 92 732 320 256 302 131 15 0
27 0 22 20 213 393 474 374 109 159 0 0
0 3 3 49 205 128 194 570 169 89 0 0
0 0 0 26 185 286 92 225 244 190 3 20
"""


def bogra() -> np.ndarray:
    return np.array([float(text) for text in BOGRA.split()])


def test_the_trend_of_a_series_with_many_ties_is_that_of_another_library() -> None:
    """pyMannKendall 1.4.3 `original_test`: s, its variance with ties, z, p, tau, and the slope of Theil and Sen."""
    value = bogra()
    found = mann_kendall(even(len(value)), value, lags=0)
    assert found.s == -1911
    assert found.variance == pytest.approx(4889800.333333333, rel=1e-14)
    assert (found.z, found.p) == pytest.approx((-0.8637494907735822, 0.3877255199593821))
    assert (found.tau, found.slope) == pytest.approx((-0.030759078032449136, -0.005917159763313609))


def test_the_correction_for_autocorrelation_is_that_of_another_library_and_the_product_takes_no_less() -> (
    None
):
    """pyMannKendall 1.4.3 `hamed_rao_modification_test(lag=3)`, the variance with the autocorrelations at three lags."""
    value = bogra()
    at = even(len(value))
    found = mann_kendall(at, value, lags=3)
    ratio = standing_out(value - found.slope * (at + 1), 3)  # ties by rounding included
    assert ratio * tied_variance(value) == pytest.approx(14207781.850922935, rel=1e-9)
    assert found.inflation >= ratio


def test_the_interval_for_where_a_line_crosses_a_level_is_the_published_one() -> None:
    """Reaction chamber, F. A. Graybill, H. K. Iyer, Regression Analysis: Concepts and Applications, 1994, 433.

    Data and answers as in the tests of investr 1.4.2 (B. M. Greenwell, C. M. Schubert Kabban, The R Journal 6(1), 2014, 90-100):
    the dial at which the mean temperature is 400 is 66.5, 99 % interval 65.07 to 68.03.
    """
    dial = np.arange(0.0, 101.0, 10.0)
    temp = np.array([206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16])
    found = fit(np.column_stack((np.ones(11), dial - dial[-1])), temp, np.ones(11))
    covariance = found.covariance
    trend = Slope(
        axis=Axis.HOURS,
        first=0.0,
        last=100.0,
        level=float(found.x[0]),
        level_u=float(np.sqrt(covariance[0, 0])),
        slope=float(found.x[1]),
        slope_u=float(np.sqrt(covariance[1, 1])),
        covariance=float(covariance[0, 1]),
        nu=9.0,
        points=11,
        independent=11.0,
        rho=0.0,
        condition=found.condition,
    )
    # Backwards: from dial 0 on, as the limit lies before the last value.
    start = Slope(
        axis=Axis.HOURS,
        first=-100.0,
        last=0.0,
        level=trend.level - 100 * trend.slope,
        level_u=float(np.sqrt(trend.level_u**2 - 200 * trend.covariance + (100 * trend.slope_u) ** 2)),
        slope=trend.slope,
        slope_u=trend.slope_u,
        covariance=trend.covariance - 100 * trend.slope_u**2,
        nu=9.0,
        points=11,
        independent=11.0,
        rho=0.0,
        condition=trend.condition,
    )
    low, high = fieller(400 - start.level, start.slope, start, confidence=0.995)
    assert round((400 - start.level) / start.slope, 1) == 66.5
    assert low is not None
    assert high is not None
    assert (round(low, 2), round(high, 2)) == (65.07, 68.03)


@pytest.mark.parametrize("way", ["one_u", "u_beside"])
def test_under_each_noise_it_is_generalised_least_squares_as_another_library_does_it(way: str) -> None:
    """statsmodels 0.15 `GLS` with the covariance written out: coefficients and their covariance, noise by noise."""
    rng = np.random.default_rng(21)
    count = 35
    value, u = noise(rng, count, 0.5, way)
    at = np.concatenate((even(20), 100 + even(15)))
    breaks = np.array([20])
    columns = np.column_stack((np.ones(count), at / 100, np.sin(at)))
    found = mixture(columns, value, u, usual_steps(at, breaks), np.zeros((count, 0)))
    apart = np.abs(np.subtract.outer(at, at))
    apart[:20, 20:] = apart[20:, :20] = np.inf
    relative = u**2 / np.mean(u**2)
    matched = set()
    for rho, centre, spread in zip(found.rhos, found.centres, found.spreads, strict=True):
        memory = rho**apart if rho > 0 else np.eye(count)
        offered = {"alone": memory, "scaled": memory * np.sqrt(np.outer(relative, relative))}
        offered |= {f"beside {s}": s * memory + (1 - s) * np.diag(relative) for s in (0.5, 0.8)}
        for name, covariance in offered.items():
            fitted = GLS(value, columns, sigma=covariance).fit()
            if np.allclose(fitted.params, centre, rtol=1e-8) and np.allclose(
                fitted.cov_params(), spread, rtol=1e-7
            ):
                matched.add((name, float(rho)))
                break
        else:
            pytest.fail(f"no covariance that is offered gives the fit with rho {rho}")
    assert len(matched) == len(found.rhos)
