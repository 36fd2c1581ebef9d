"""Designs and quantiles of what is drawn.

The library's own distributions would take longer to import than many a study takes to run.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

FloatArray = NDArray[np.float64]
Method = Literal["latin_hypercube", "sobol"]
EDGE = 1e-9  # the ends of a bell curve are infinite


def design(count: int, columns: int, seed: int | None, *, method: Method = "latin_hypercube") -> FloatArray:
    """Return points that fill the unit cube evenly, shape (count, columns)."""
    from scipy.stats import qmc

    make = qmc.Sobol if method == "sobol" else qmc.LatinHypercube
    points = make(d=columns, rng=np.random.default_rng(seed)).random(count)
    return np.asarray(np.clip(points, EDGE, 1 - EDGE))


def normal(share: FloatArray, mean: float, sd: float) -> FloatArray:
    """Return quantiles of the bell curve.

    >>> float(normal(np.array([0.5]), 3.0, 1.0)[0])
    3.0
    """
    return np.asarray(mean + sd * ndtri(share))


def lognormal(share: FloatArray, median: float, sd_log: float) -> FloatArray:
    """Return quantiles of a number whose logarithm follows the bell curve."""
    return np.asarray(median * np.exp(sd_log * ndtri(share)))


def uniform(share: FloatArray, low: float, high: float) -> FloatArray:
    """Return quantiles of any number between two."""
    return low + share * (high - low)


def triangular(share: FloatArray, low: float, peak: float, high: float) -> FloatArray:
    """Return quantiles of a triangle.

    >>> triangular(np.array([0.0, 0.5, 1.0]), 0.0, 1.0, 2.0).tolist()
    [0.0, 1.0, 2.0]
    """
    below = (peak - low) / (high - low)
    rising = low + np.sqrt(share * (high - low) * (peak - low))
    falling = high - np.sqrt((1 - share) * (high - low) * (high - peak))
    return np.where(share < below, rising, falling)
