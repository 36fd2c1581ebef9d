"""The temperature of the cells."""

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing._cycles import MILD_C
from crestfall.scenario.catalogue_file import Thermal

FloatArray = NDArray[np.float64]


def cell_temperature_c(ambient_c: FloatArray | None, thermal: Thermal | None, *, n_steps: int) -> FloatArray:
    """
    Return the cells' temperature: that of the air, held inside the band of heating and cooling.

    Cells are taken to follow the air at once and to stand no warmer than it for their losses; both are small beside a
    band that is held, and too kind to a rack without cooling.

    Parameters
    ----------
    ambient_c : ndarray of shape (n_steps,) or None
        Ambient temperature; None: mild, 25 degrees C [degrees C].
    thermal : Thermal or None
        What heats and cools the rack; None: nothing does.
    n_steps : int
        Number of steps.

    Returns
    -------
    ndarray of shape (n_steps,)
        Cell temperature [degrees C].
    """
    ambient = np.full(n_steps, MILD_C) if ambient_c is None else np.asarray(ambient_c, dtype=np.float64)
    if thermal is None:
        return ambient
    return np.asarray(np.clip(ambient, thermal.lowest_cell_c, thermal.highest_cell_c))
