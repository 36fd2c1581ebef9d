"""Figures that are read off a row of cash: present value, rates of return, payback.

Flows come at whole years 0, 1, 2 ..., or, with ``mid_year``, at 0, 0.5, 1.5 ...: the first one, the capital, is never
moved. A rate is found wherever the present value is zero, so there may be none or several.
"""

from typing import Literal

import numpy as np
import numpy_financial as npf
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

FloatArray = NDArray[np.float64]
Timing = Literal["end_of_year", "mid_year"]
HIGHEST_RATE = 1e6  # a rate beyond it is the mark of a capital of next to nothing
LOWEST_RATE = -1 + 1e-9
REAL_ROOT = 1e-5  # imaginary part below this share: two real roots next to each other, or a double one
IS_ROOT = 1e-9  # present value below this share of the discounted flows


def discount_factors(rate_frac: float, n_years: int, *, timing: Timing = "end_of_year") -> FloatArray:
    """
    Return what one unit of money in each year is worth today.

    Parameters
    ----------
    rate_frac : float
        Discount rate a year, above -1.
    n_years : int
        Number of years after the start.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come.

    Returns
    -------
    ndarray of shape (n_years + 1,)
        Factors, the first one 1.
    """
    return np.asarray((1.0 + rate_frac) ** -_times(n_years + 1, timing))


def _times(n: int, timing: Timing) -> FloatArray:
    times = np.arange(n, dtype=np.float64)
    return times if timing == "end_of_year" else np.maximum(times - 0.5, 0.0)


def present_value(cash: ArrayLike, rate_frac: float, *, timing: Timing = "end_of_year") -> float:
    """
    Return the net present value of a row of cash.

    Parameters
    ----------
    cash : array-like of shape (n_years + 1,)
        Flows, the first one at the start.
    rate_frac : float
        Discount rate a year, above -1.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come.

    Returns
    -------
    float
        Their value at the start.

    Examples
    --------
    >>> round(present_value([-40_000, 8_000, 9_200, 10_000, 12_000, 14_500], 0.08), 2)
    1922.06
    """
    flows = np.asarray(cash, dtype=np.float64)
    if timing == "end_of_year":
        return float(npf.npv(rate_frac, flows))
    return float(flows @ discount_factors(rate_frac, len(flows) - 1, timing=timing))


def rates_of_return(cash: ArrayLike, *, timing: Timing = "end_of_year") -> tuple[float, ...]:
    """
    Return every internal rate of return: each rate at which the present value is zero.

    Parameters
    ----------
    cash : array-like of shape (n_years + 1,)
        Flows, the first one at the start.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come.

    Returns
    -------
    tuple of float
        The rates in ascending order; empty if there is none, as without a change of sign. Rates above 1e6 or within
        1e-9 of -1 are left out: next to nothing was spent, or came back.

    Examples
    --------
    >>> rates_of_return([-100.0, 50.0, 10.0 / 100])  # doctest: +ELLIPSIS
    (-0.4980...,)
    >>> [round(rate, 6) for rate in rates_of_return([100.0, -230.0, 132.0])]
    [0.1, 0.2]
    >>> rates_of_return([100.0, 20.0])
    ()
    """
    flows = np.asarray(cash, dtype=np.float64)
    times = _times(len(flows), timing)
    flows, times = flows[flows != 0], times[flows != 0]
    changes = int((np.diff(np.sign(flows)) != 0).sum())
    if changes == 0:
        return ()
    if changes == 1:  # Descartes: exactly one
        return _single_rate(flows, times)
    return _several_rates(flows, times)


def _value(flows: FloatArray, times: FloatArray, rate: float) -> float:
    # Seen from the middle of the flows, so that no rate makes it overflow.
    return float(flows @ (1 + rate) ** (times.mean() - times))


def _single_rate(flows: FloatArray, times: FloatArray) -> tuple[float, ...]:
    low, high = _value(flows, times, LOWEST_RATE), _value(flows, times, HIGHEST_RATE)
    if low * high > 0:
        return ()  # a rate of nearly -100 %, or beyond all sense
    return (float(brentq(lambda rate: _value(flows, times, rate), LOWEST_RATE, HIGHEST_RATE, xtol=1e-14, rtol=1e-14)),)


def _several_rates(flows: FloatArray, times: FloatArray) -> tuple[float, ...]:
    """Return the real roots of the polynomial in half years, each made exact."""
    halves = np.rint(2 * (times - times[0])).astype(int)
    step = int(np.gcd.reduce(halves))
    coefficients = np.zeros(halves[-1] // step + 1)
    coefficients[halves // step] = flows
    roots = np.polynomial.polynomial.polyroots(coefficients / np.abs(flows).max())
    near = roots.real[(np.abs(roots.imag) < REAL_ROOT * np.abs(roots)) & (roots.real > 0)]
    candidates = sorted({_polished(flows, times, float(root ** (-2 / step) - 1)) for root in near})
    size = [np.abs(flows) @ (1 + rate) ** (times.mean() - times) for rate in candidates]
    found = [
        rate
        for rate, scale in zip(candidates, size, strict=True)
        if abs(_value(flows, times, rate)) <= IS_ROOT * scale and LOWEST_RATE < rate < HIGHEST_RATE
    ]
    return tuple(rate for place, rate in enumerate(found) if place == 0 or rate - found[place - 1] > 1e-7)


def _polished(flows: FloatArray, times: FloatArray, rate: float) -> float:
    """Return a root after a few of Newton's steps, unless they lead away."""
    start = rate
    for _ in range(20):
        factors = (1 + rate) ** (times.mean() - times)
        slope = float(flows * (times.mean() - times) @ factors) / (1 + rate)
        if slope == 0:
            break
        rate -= float(flows @ factors) / slope
        if not abs(rate - start) < 1e-3 * (1 + abs(start)):
            return start
    return rate


def modified_rate_of_return(cash: ArrayLike, *, finance_frac: float, reinvest_frac: float) -> float | None:
    """
    Return the modified internal rate of return, flows at the ends of the years.

    Parameters
    ----------
    cash : array-like of shape (n_years + 1,)
        Flows, the first one at the start.
    finance_frac : float
        Rate at which what is paid is discounted to the start.
    reinvest_frac : float
        Rate at which what is received earns until the end.

    Returns
    -------
    float or None
        The rate; None without both a payment and a receipt.
    """
    flows = np.asarray(cash, dtype=np.float64)
    if not ((flows > 0).any() and (flows < 0).any()):
        return None
    return float(npf.mirr(flows, finance_frac, reinvest_frac))


def payback_years(cash: ArrayLike, *, rate_frac: float = 0.0, timing: Timing = "end_of_year") -> float | None:
    """
    Return the time after which the money that came in covers what went out, and goes on covering it.

    Within a year the sum is taken as a straight line.

    Parameters
    ----------
    cash : array-like of shape (n_years + 1,)
        Flows, the first one at the start.
    rate_frac : float, default=0.0
        Discount rate; 0 gives the simple payback.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come, for the discounting.

    Returns
    -------
    float or None
        Years [a]; None if that is never so, or nothing is spent at the start.

    Examples
    --------
    >>> payback_years([-80_000, 10_000, 20_000, 30_000, 40_000, 50_000])
    3.5
    """
    flows = np.asarray(cash, dtype=np.float64)
    total = np.cumsum(flows * discount_factors(rate_frac, len(flows) - 1, timing=timing))
    if flows[0] >= 0 or total[-1] < 0:
        return None
    last_short = int(np.flatnonzero(total < 0)[-1])
    return float(last_short + total[last_short] / (total[last_short] - total[last_short + 1]))


def profitability_index(cash: ArrayLike, rate_frac: float, *, timing: Timing = "end_of_year") -> float | None:
    """
    Return the present value of all later flows over what is spent at the start.

    Parameters
    ----------
    cash : array-like of shape (n_years + 1,)
        Flows, the first one at the start.
    rate_frac : float
        Discount rate a year.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come.

    Returns
    -------
    float or None
        The index, above 1 where the net present value is above 0; None if nothing is spent at the start.
    """
    flows = np.asarray(cash, dtype=np.float64)
    if flows[0] >= 0:
        return None
    return 1 - present_value(flows, rate_frac, timing=timing) / float(flows[0])


def annuity(principal: float, rate_frac: float, years: int) -> float:
    """
    Return the equal instalment at the end of each year that pays a principal back with interest.

    Parameters
    ----------
    principal : float
        What is owed at the start.
    rate_frac : float
        Interest a year.
    years : int
        Number of instalments.

    Returns
    -------
    float
        The instalment; principal times the capital recovery factor.

    Examples
    --------
    >>> round(annuity(60_000, 0.18, 10), 2)
    13350.88
    """
    return float(-npf.pmt(rate_frac, years, principal))


def real_rate(nominal_frac: float, inflation_frac: float) -> float:
    """
    Return the real rate that a nominal rate is worth at an inflation.

    Parameters
    ----------
    nominal_frac : float
        Nominal rate a year.
    inflation_frac : float
        Inflation a year.

    Returns
    -------
    float
        The real rate.

    Examples
    --------
    >>> f"{real_rate(0.08, 0.025):.6f}"
    '0.053659'
    """
    return (1 + nominal_frac) / (1 + inflation_frac) - 1


def levelised_cost(
    cost: ArrayLike, energy_kwh: ArrayLike, rate_frac: float, *, timing: Timing = "end_of_year"
) -> float | None:
    """
    Return the present value of costs over that of energy.

    Parameters
    ----------
    cost : array-like of shape (n_years + 1,)
        Costs, the first one at the start; what is got back counts against them.
    energy_kwh : array-like of shape (n_years + 1,)
        Energy delivered [kWh].
    rate_frac : float
        Discount rate a year.
    timing : {"end_of_year", "mid_year"}, default="end_of_year"
        When the flows of a year come.

    Returns
    -------
    float or None
        Cost per kWh; None without any energy.
    """
    energy = present_value(energy_kwh, rate_frac, timing=timing)
    return present_value(cost, rate_frac, timing=timing) / energy if energy > 0 else None
