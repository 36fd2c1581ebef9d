"""The lowest ceiling that a store could have kept."""

import numpy as np

from crestfall.control._peak_targets import Means
from crestfall.dispatch import Problem


def least_ceiling_kw(problem: Problem, n_steps: int) -> float:
    """
    Return the lowest ceiling on import that the store could have kept, had it known the load and begun full.

    Parameters
    ----------
    problem : Problem
        The site and the plant.
    n_steps : int
        How many of its first steps are looked at.

    Returns
    -------
    float
        The ceiling; tapers are left out [kW].
    """
    net_kw = (problem.load_kw + problem.auxiliary_kw - problem.pv_kw)[:n_steps]
    return Means.of(problem).least_raise_kw(net_kw, np.zeros(len(net_kw)), float(problem.ceiling_kwh[0]))
