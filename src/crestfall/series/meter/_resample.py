"""Other steps for a series: energy is kept, and no peak is invented."""

from math import gcd

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError

FloatArray = NDArray[np.float64]

# How much higher the monthly peak of short means lies than that of long ones, 5th to 95th percentile of 300 months: 25
# profiles of trade, industry, farms and streets of 2016 in the data of the SimBench project, 15 min, averaged by us.
# Keys are minutes of the data and of the charge.
PEAK_ABOVE_FRAC = {(60, 15): (0.03, 0.31), (30, 15): (0.01, 0.17)}


def resampled(values: FloatArray, *, step_min: int, to_min: int, first_min: int = 0) -> FloatArray:
    """
    Return step means on other steps: repeated where these are shorter, averaged where they are longer.

    Parameters
    ----------
    values : ndarray of shape (n_steps,)
        Means over steps.
    step_min, to_min : int
        Length of the steps now, and wanted [min].
    first_min : int, default=0
        Start of the first step after a whole step of the wanted length [min].

    Returns
    -------
    ndarray
        Means over the wanted steps, whole ones only.

    Raises
    ------
    SeriesError
        If the data do not begin and end with wanted steps.

    Examples
    --------
    >>> resampled(np.array([1.0, 3.0, 5.0]), step_min=10, to_min=15).tolist()
    [1.6666666666666667, 4.333333333333333]
    """
    if step_min == to_min:
        return values
    total_min = len(values) * step_min
    if first_min % to_min or total_min % to_min:
        raise SeriesError(
            f"the data of {step_min}-minute steps do not begin and end with steps of {to_min} minutes\n"
            "    cut them to whole hours"
        )
    fine_min = gcd(step_min, to_min)
    fine = np.repeat(values, step_min // fine_min) if step_min > fine_min else values
    means: FloatArray = fine.reshape(-1, to_min // fine_min).mean(axis=1)
    return means


def coarse_note(step_min: float, averaging_min: float) -> str:
    """
    Return what is to be said of data coarser than the interval over which a tariff averages demand.

    Parameters
    ----------
    step_min, averaging_min : float
        Length of the steps as metered, and of the tariff's interval [min].

    Returns
    -------
    str
        A sentence; empty where the data are fine enough.
    """
    if step_min <= averaging_min:
        return ""
    metered = f"the load is metered in steps of {step_min:g} minutes"
    text = f"{metered}, demand is billed on {averaging_min:g}: peaks are understated"
    if seen := PEAK_ABOVE_FRAC.get((round(step_min), round(averaging_min))):
        low, high = (f"{100 * one:.0f}" for one in seen)
        return f"{text}; in finer data of trade and industry monthly peaks lay {low} to {high} % higher"
    return f"{text}, by how much is not known"
