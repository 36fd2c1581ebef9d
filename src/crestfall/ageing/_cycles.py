"""Count what a battery goes through: equivalent full cycles, depths, throughput."""

from dataclasses import dataclass

import numpy as np
import rainflow
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryUse:
    """How hard a battery worked over the study year.

    Parameters
    ----------
    equivalent_full_cycles : float
        Energy taken out of the racks (DC) over their nominal energy.
    throughput_kwh : float
        Energy taken out of the racks, DC [kWh].
    depths_frac : ndarray of shape (n_cycles,)
        Full swing of each rainflow cycle as a share of nominal energy.
    mean_soc_frac : ndarray of shape (n_cycles,)
        Mean state of charge of each cycle.
    counts : ndarray of shape (n_cycles,)
        1 for a closed cycle, 0.5 for half a cycle.
    """

    equivalent_full_cycles: float
    throughput_kwh: float
    depths_frac: NDArray[np.float64]
    mean_soc_frac: NDArray[np.float64]
    counts: NDArray[np.float64]


def battery_use(
    stored_kwh: NDArray[np.float64], *, start_kwh: float, out_of_store_kwh: float, nominal_kwh: float
) -> BatteryUse:
    """
    Count the cycles of a stored energy by the rainflow method [1]_.

    Parameters
    ----------
    stored_kwh : ndarray of shape (n_steps,)
        Energy in the racks at the end of each step, DC [kWh].
    start_kwh : float
        Energy in the racks before the first step [kWh].
    out_of_store_kwh : float
        Energy taken out of the racks over the year, DC [kWh].
    nominal_kwh : float
        Nominal energy of the racks [kWh]; 0 for no battery.

    Returns
    -------
    BatteryUse
        Cycles and throughput; nothing counted for no battery.

    References
    ----------
    .. [1] ASTM E1049-85, "Standard Practices for Cycle Counting in Fatigue Analysis," section 5.4.4, as the package
       `rainflow` implements it.
    """
    if nominal_kwh == 0:
        nothing = np.zeros(0)
        return BatteryUse(
            equivalent_full_cycles=0.0, throughput_kwh=0.0, depths_frac=nothing, mean_soc_frac=nothing, counts=nothing
        )
    depth, mean, count = _rainflow(np.concatenate(([start_kwh], stored_kwh)) / nominal_kwh)
    return BatteryUse(
        equivalent_full_cycles=out_of_store_kwh / nominal_kwh,
        throughput_kwh=out_of_store_kwh,
        depths_frac=depth,
        mean_soc_frac=mean,
        counts=count,
    )


def _rainflow(soc_frac: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return depth, mean and count of each cycle, shape (3, n_cycles)."""
    moved = soc_frac[np.append(True, np.diff(soc_frac) != 0)]
    # The package takes a store that stands still for half a cycle of no depth, and a single step for no cycle at all.
    if moved.size == 1:
        return np.zeros((3, 0))
    if moved.size == 2:
        moved = np.array([moved[0], moved.mean(), moved[1]])
    cycles = [(depth, mean, count) for depth, mean, count, _, _ in rainflow.extract_cycles(moved.tolist())]
    return np.array(cycles, dtype=np.float64).T
