"""What stands between meter and site, and what the modules promise beside power: transformer, reactive support."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TransformerLosses:
    """Losses of a transformer: no load, and load loss with the square of apparent power.

    Parameters
    ----------
    rating_kva : float
        Rated apparent power [kVA].
    no_load_kw, load_loss_kw : float
        Loss whenever it is energised, and further loss at rated power [kW].
    """

    rating_kva: float
    no_load_kw: float
    load_loss_kw: float

    def loss_kw(self, net_kw: FloatArray, kvar: FloatArray | None) -> FloatArray:
        """
        Return the loss for flows on the site's side.

        Parameters
        ----------
        net_kw : ndarray
            Import less export [kW].
        kvar : ndarray or None
            Reactive power [kvar].

        Returns
        -------
        ndarray
            Loss [kW].
        """
        if self.load_loss_kw == 0:  # as without a transformer
            return np.full(np.shape(net_kw), self.no_load_kw)
        square = net_kw**2 + (0.0 if kvar is None else kvar**2)
        return self.no_load_kw + self.load_loss_kw * square / self.rating_kva**2


NO_TRANSFORMER = TransformerLosses(rating_kva=1.0, no_load_kw=0.0, load_loss_kw=0.0)


def active_limit_kw(apparent_kva: FloatArray, kvar: FloatArray) -> FloatArray:
    """
    Return the active power that an apparent power leaves beside a reactive one, by the P-Q circle.

    Parameters
    ----------
    apparent_kva : ndarray
        Limit of apparent power [kVA].
    kvar : ndarray
        Reactive power [kvar].

    Returns
    -------
    ndarray
        Limit of active power, 0 where the reactive power takes all [kW].
    """
    return np.sqrt(np.maximum(apparent_kva**2 - kvar**2, 0.0))


def reactive_to_hold(power_factor_frac: float, kvar: FloatArray, least_import_kw: FloatArray) -> FloatArray:
    """
    Return the reactive power to supply so that a site keeps a power factor at the lowest import it may come to.

    Parameters
    ----------
    power_factor_frac : float
        Power factor to hold.
    kvar : ndarray
        Reactive power drawn by the site [kvar].
    least_import_kw : ndarray
        Lowest import of each step [kW].

    Returns
    -------
    ndarray
        Reactive power to supply [kvar].
    """
    allowed = least_import_kw * np.tan(np.arccos(power_factor_frac))
    return np.asarray(np.maximum(kvar - allowed, 0.0))
