"""How often, and for how long: distributions of what cells went through."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing._cycles import LEAST_RATE_PER_H
from crestfall.ageing._use import CellUse

FloatArray = NDArray[np.float64]
TENTHS = np.arange(11) / 10
RATE_EDGES_PER_H = np.arange(-10, 11) / 10
CELL_EDGES_C = np.arange(-20.0, 65.0, 5.0)
HIGH_SOC_FRAC = 0.9  # common practice, no source: above it calendar fade of most cells is fastest


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """A distribution.

    Parameters
    ----------
    edges : ndarray of shape (n_bins + 1,)
        Bounds of the bins; what lies beyond the outer ones is in the outer bins.
    weights : ndarray of shape (n_bins,)
        Hours or cycles in each bin.
    """

    edges: FloatArray
    weights: FloatArray

    @classmethod
    def of(cls, values: FloatArray, weights: FloatArray, edges: FloatArray) -> "Histogram":
        """Return the distribution of weighted values."""
        inside = np.clip(values, edges[0], edges[-1])
        return cls(edges=edges, weights=np.histogram(inside, bins=edges, weights=weights)[0])

    def summary(self) -> dict[str, list[float]]:
        """Return edges and weights, ready for JSON."""
        return {"edges": self.edges.tolist(), "weights": self.weights.tolist()}


@dataclass(frozen=True, slots=True, kw_only=True)
class UseHistograms:
    """What cells went through, as distributions.

    Parameters
    ----------
    depth_cycles : Histogram
        Rainflow cycles by depth, a half counting 0.5.
    soc_h : Histogram
        Hours by state of charge.
    c_rate_h : Histogram
        Hours in motion by rate, negative while the cells are discharged [1/h].
    cell_h : Histogram
        Hours by cell temperature [degrees C].
    high_soc_frac : float
        State of charge from which on it counts as high.
    high_soc_h : float
        Hours at a high state of charge [h].
    """

    depth_cycles: Histogram
    soc_h: Histogram
    c_rate_h: Histogram
    cell_h: Histogram
    high_soc_frac: float
    high_soc_h: float

    def summary(self) -> dict[str, Any]:
        """Return all distributions, ready for JSON."""
        parts = {name: getattr(self, name).summary() for name in ("depth_cycles", "soc_h", "c_rate_h", "cell_h")}
        return parts | {"high_soc_frac": self.high_soc_frac, "high_soc_h": self.high_soc_h}


def use_histograms(use: CellUse, *, high_soc_frac: float = HIGH_SOC_FRAC) -> UseHistograms:
    """
    Return the distributions of depth, state of charge, rate and temperature.

    Parameters
    ----------
    use : CellUse
        What cells went through.
    high_soc_frac : float, default=0.9
        State of charge from which on it counts as high.

    Returns
    -------
    UseHistograms
        The distributions.
    """
    hours = np.full(len(use.soc_frac), use.step_h)
    moving = np.abs(use.rate_per_h) > LEAST_RATE_PER_H
    cycles = use.cycles
    return UseHistograms(
        depth_cycles=Histogram.of(cycles.depths_frac, cycles.counts, TENTHS),
        soc_h=Histogram.of(use.soc_frac, hours, TENTHS),
        c_rate_h=Histogram.of(use.rate_per_h[moving], hours[moving], RATE_EDGES_PER_H),
        cell_h=Histogram.of(use.cell_c, hours, CELL_EDGES_C),
        high_soc_frac=high_soc_frac,
        high_soc_h=float(hours[use.soc_frac >= high_soc_frac].sum()),
    )
