"""A reserve for the loss of the grid, and how long the store would last at any time."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.plant._plant import Plant

FloatArray = NDArray[np.float64]


def drain_kw(plant: Plant, critical_load_kw: float, auxiliary_kw: float) -> float:
    """
    Return the power out of the store that a critical load takes without the grid.

    Parameters
    ----------
    plant : Plant
        The plant.
    critical_load_kw : float
        Load that must go on, AC [kW].
    auxiliary_kw : float
        Auxiliaries of the plant, which the store must feed as well, AC [kW].

    Returns
    -------
    float
        Power out of the store, DC [kW].
    """
    return float(plant.out_of_store_kw(np.array([critical_load_kw + auxiliary_kw]))[0])


def backup_floor_kwh(
    plant: Plant,
    critical_load_kw: float,
    hours: float,
    *,
    auxiliary_kw: float,
    end_of_life_health_frac: float,
    year_of_health: Callable[[float], int | None] = lambda _: None,
) -> float:
    """
    Return the stored energy below which the reserve would not last.

    Parameters
    ----------
    plant : Plant
        The plant.
    critical_load_kw : float
        Load that must go on, AC [kW].
    hours : float
        How long it must go on [h].
    auxiliary_kw : float
        Highest auxiliaries of the year [kW].
    end_of_life_health_frac : float
        State of health at which the reserve must still fit.
    year_of_health : callable, optional
        Year in which the racks fall below a state of health, for the message; None where that is not known.

    Returns
    -------
    float
        Lower end of the usable window plus the reserve [kWh].

    Raises
    ------
    KeyedError
        If the load is above the rating, or the reserve does not fit the usable window at the end of life.
    """
    if critical_load_kw + auxiliary_kw > plant.rating_kva:
        raise KeyedError(
            "scenario",
            ("backup", "critical_load_kw"),
            found=f"{critical_load_kw:g}",
            expected=f"at most {max(plant.rating_kva - auxiliary_kw, 0.0):,.1f} kW, the rating less auxiliaries",
            remedy="choose an option with more modules, or a smaller critical load",
        )
    reserve_kwh = hours * drain_kw(plant, critical_load_kw, auxiliary_kw)
    usable_at_end = plant.usable_kwh * end_of_life_health_frac
    if reserve_kwh > usable_at_end:
        fails_at = reserve_kwh / plant.usable_kwh if plant.usable_kwh else np.inf
        year = None if fails_at > 1 else year_of_health(fails_at)
        when = "when new" if fails_at > 1 else f"below a state of health of {100 * fails_at:.0f} %"
        when += "" if year is None else f", which standing alone takes it to in year {year}"
        raise KeyedError(
            "scenario",
            ("backup", "hours"),
            found=f"{hours:g}",
            expected=f"at most {hours * usable_at_end / reserve_kwh:.2f} hours, for which the usable"
            f" {usable_at_end:,.0f} kWh at the end of life ({100 * end_of_life_health_frac:.0f} % health) last",
            remedy=f"choose an option with more racks; this reserve of {reserve_kwh:,.0f} kWh fails {when}",
        )
    return plant.floor_kwh + reserve_kwh


def survival_h(plant: Plant, stored_kwh: FloatArray, critical_load_kw: float, auxiliary_kw: FloatArray) -> FloatArray:
    """
    Return for how long the critical load would last if the grid went at the end of each step, without sun.

    Parameters
    ----------
    plant : Plant
        The plant.
    stored_kwh : ndarray of shape (n_steps,)
        Stored energy [kWh].
    critical_load_kw : float
        Load that must go on, AC [kW].
    auxiliary_kw : ndarray of shape (n_steps,)
        Auxiliaries [kW].

    Returns
    -------
    ndarray of shape (n_steps,)
        Hours, down to the lower end of the usable window.
    """
    drains = plant.out_of_store_kw(critical_load_kw + auxiliary_kw)
    return np.maximum(stored_kwh - plant.floor_kwh, 0.0) / drains
