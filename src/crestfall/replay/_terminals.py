"""The true curve between AC terminals and store for single powers, quick in a loop over steps, and its inverse.

Between the corners of the modules' losses the power at the DC terminals is straight in the AC power; the racks then
take a linear and a square part of it. So both ways are closed forms, exact on either side of each jump.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch._compiled import compiled
from crestfall.plant import Plant

FloatArray = NDArray[np.float64]
HALVINGS = 50


class Terminals(NamedTuple):
    """One direction of power through a plant.

    Parameters
    ----------
    linear, square_per_kw : float
        Power at the store is ``linear dc + square_per_kw dc²`` for a power dc at the racks' terminals.
    ac_kw, dc_kw : ndarray of shape (n_corners,)
        Corners of the curve of dc power against AC power; a jump has two at one AC power.
    most_dc_kw : ndarray of shape (n_corners,)
        Highest dc power up to each corner.
    cooling_frac : float
        Further AC power for each kW that racks lose.
    most_draw_kw : ndarray of shape (n_corners,)
        Highest AC power with cooling up to each corner.
    """

    linear: float
    square_per_kw: float
    ac_kw: FloatArray
    dc_kw: FloatArray
    most_dc_kw: FloatArray
    cooling_frac: float
    most_draw_kw: FloatArray

    @classmethod
    def of(cls, plant: Plant, *, charging: bool) -> "Terminals":
        """Return a plant's curve of one direction."""
        bank = plant.bank
        ac, loss = plant.converter.loss_corners(charging=charging)
        dc = ac - loss if charging else ac + loss
        ac, dc = _with_zero(ac, dc)
        rack_loss = bank.loss_kw(np.maximum(dc, 0.0), charging=charging)
        return cls(
            linear=float(bank.charge_frac if charging else 1 / bank.discharge_frac),
            square_per_kw=float(-bank.square_per_kw if charging else bank.square_per_kw),
            ac_kw=ac,
            dc_kw=dc,
            most_dc_kw=np.maximum.accumulate(dc),
            cooling_frac=float(bank.cooling_frac),
            most_draw_kw=np.maximum.accumulate(ac + bank.cooling_frac * rack_loss),
        )


@compiled
def store_of(curve: Terminals, ac_kw: float) -> float:
    """Return the power at the store for an AC power; below zero where modules lose more than they are given."""
    i = min(int(np.searchsorted(curve.ac_kw, ac_kw)), len(curve.ac_kw) - 1)
    at_corner = i == 0 or ac_kw >= curve.ac_kw[i]
    dc: float = curve.dc_kw[i] if at_corner else _between(curve.ac_kw, curve.dc_kw, i, ac_kw)
    return dc if dc < 0 else curve.linear * dc + curve.square_per_kw * dc * dc


@compiled
def relief_of(curve: Terminals, ac_kw: float) -> float:
    """Return by how much a discharge lowers the power at the meter, less what its cooling draws."""
    i = min(int(np.searchsorted(curve.ac_kw, ac_kw)), len(curve.ac_kw) - 1)
    at_corner = i == 0 or ac_kw >= curve.ac_kw[i]
    dc: float = curve.dc_kw[i] if at_corner else _between(curve.ac_kw, curve.dc_kw, i, ac_kw)
    rack_loss = abs(1 - curve.linear) * dc + abs(curve.square_per_kw) * dc * dc
    return ac_kw - curve.cooling_frac * max(rack_loss, 0.0)


@compiled
def ac_relieving(curve: Terminals, relief_kw: float, most_kw: float) -> float:
    """Return the highest AC discharge up to a limit that lowers the power at the meter by no more than this.

    It is at least the relief itself, for cooling only takes of it. Where jumps make a rise of the discharge lower the
    relief, one that keeps it is found, not the highest of all.
    """
    if most_kw <= relief_kw or relief_of(curve, most_kw) <= relief_kw:
        return most_kw
    low, high = relief_kw, most_kw
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if relief_of(curve, middle) <= relief_kw:
            low = middle
        else:
            high = middle
    return low


@compiled
def ac_of(curve: Terminals, store_kw: float) -> float:
    """Return the least AC power for a power at the store; in a jump that below it, beyond the end the highest."""
    root = math.sqrt(max(curve.linear * curve.linear + 4 * curve.square_per_kw * store_kw, 0.0))
    dc = 2 * store_kw / (curve.linear + root)
    i = int(np.searchsorted(curve.most_dc_kw, dc))
    if i == 0:
        return 0.0
    last: float = curve.ac_kw[-1]
    return last if i == len(curve.ac_kw) else _between(curve.dc_kw, curve.ac_kw, i, dc)


@compiled
def ac_within(curve: Terminals, draw_kw: float) -> float:
    """Return the highest AC power that draws no more than this with its cooling."""
    i = int(np.searchsorted(curve.most_draw_kw, draw_kw, side="right"))
    if i == 0:
        return 0.0
    if i == len(curve.ac_kw):
        last: float = curve.ac_kw[-1]
        return last
    begin: float = curve.ac_kw[i - 1]
    dc: float = curve.dc_kw[i - 1]
    if curve.cooling_frac == 0 or dc < 0:
        return draw_kw
    # begin + x + cooling_frac (share (dc + slope x) + square (dc + slope x)²) = draw
    slope = (curve.dc_kw[i] - dc) / (curve.ac_kw[i] - begin)
    share, square = abs(1 - curve.linear), abs(curve.square_per_kw)
    second = curve.cooling_frac * square * slope * slope
    first = 1 + curve.cooling_frac * slope * (share + 2 * square * dc)
    short = draw_kw - begin - curve.cooling_frac * dc * (share + square * dc)
    found: float = begin + 2 * short / (first + math.sqrt(first * first + 4 * second * short))
    return found


@compiled
def _between(x: FloatArray, y: FloatArray, i: int, at: float) -> float:
    """Return the value between the corner i and the one before it."""
    found: float = y[i - 1] + (at - x[i - 1]) * (y[i] - y[i - 1]) / (x[i] - x[i - 1])
    return found


def _with_zero(ac: FloatArray, dc: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the corners with one more where dc power passes zero, below which racks lose nothing."""
    i = np.flatnonzero((dc[:-1] < 0) & (dc[1:] > 0))
    zero = ac[i] - dc[i] * (ac[i + 1] - ac[i]) / (dc[i + 1] - dc[i])
    return np.insert(ac, i + 1, zero), np.insert(dc, i + 1, 0.0)
