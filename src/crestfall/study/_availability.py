"""When the battery is out of service: planned outages, and forced ones that nobody foresees."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.scenario.scenario_file import Availability, ForcedOutages

Mask = NDArray[np.bool_]


def planned_outages(ask: Availability, start: pd.DatetimeIndex, step_h: float) -> Mask:
    """
    Return the steps in which a planned outage takes the battery out of service, wholly or in part.

    Parameters
    ----------
    ask : Availability
        The outages.
    start : DatetimeIndex of shape (n_steps,)
        Start of each step in the zone of the site.
    step_h : float
        Length of a step [h].

    Returns
    -------
    ndarray of bool, shape (n_steps,)
        True in an outage.

    Raises
    ------
    KeyedError
        If an outage lies outside the data.
    """
    out = np.zeros(len(start), dtype=bool)
    for position, outage in enumerate(ask.planned):
        begin = pd.Timestamp(outage.start).tz_localize(start.tz, ambiguous=True, nonexistent="shift_forward")
        end = begin + pd.Timedelta(hours=outage.hours)
        inside = np.asarray((start < end) & (start + pd.Timedelta(hours=step_h) > begin))
        if not inside.any():
            raise KeyedError(
                "scenario",
                ("availability", "planned", position, "start"),
                found=outage.start,
                expected=f"a time from {start[0]:%Y-%m-%d %H:%M} to {start[-1]:%Y-%m-%d %H:%M}",
                remedy="give the times of the year of the data",
            )
        out |= inside
    return out


def forced_outages(ask: ForcedOutages | None, n_steps: int, step_h: float) -> Mask:
    """
    Return the steps in which forced outages take the battery out of service: random, but the same for the same seed.

    Parameters
    ----------
    ask : ForcedOutages or None
        How many, how long, and the seed.
    n_steps : int
        Number of steps.
    step_h : float
        Length of a step [h].

    Returns
    -------
    ndarray of bool, shape (n_steps,)
        True in an outage.
    """
    out = np.zeros(n_steps, dtype=bool)
    if ask is not None:
        length = max(round(ask.hours / step_h), 1)
        for first in np.random.default_rng(ask.seed).integers(0, max(n_steps - length, 1), ask.events):
            out[first : first + length] = True
    return out
