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
AC, DC, MOST_DC, MOST_DRAW = range(4)  # rows of the corners


class Racks(NamedTuple):
    """What racks make of a power at their terminals, in one direction.

    Parameters
    ----------
    linear, square_per_kw : float
        Power at the store is ``linear dc + square_per_kw dc²`` for a power dc at the racks' terminals.
    cooling_frac : float
        Further AC power for each kW that racks lose.
    """

    linear: float
    square_per_kw: float
    cooling_frac: float


class Terminals(NamedTuple):
    """One direction of power through a plant.

    Loops take both apart and pass them on one by one: to take an array out of a tuple costs them more than a search.

    Parameters
    ----------
    racks : Racks
        The racks.
    corners : ndarray of shape (4, n_corners)
        Corners of the curve of dc power against AC power; a jump has two at one AC power. Rows `AC`, `DC`, and the
        highest dc power up to each corner (`MOST_DC`), the highest AC power with cooling up to it (`MOST_DRAW`) [kW].
    """

    racks: Racks
    corners: FloatArray

    @classmethod
    def of(cls, plant: Plant, *, charging: bool) -> "Terminals":
        """Return a plant's curve of one direction."""
        bank = plant.bank
        ac, loss = plant.converter.loss_corners(charging=charging)
        dc = ac - loss if charging else ac + loss
        ac, dc = _with_zero(ac, dc)
        rack_loss = bank.loss_kw(np.maximum(dc, 0.0), charging=charging)
        racks = Racks(
            linear=float(bank.charge_frac if charging else 1 / bank.discharge_frac),
            square_per_kw=float(-bank.square_per_kw if charging else bank.square_per_kw),
            cooling_frac=float(bank.cooling_frac),
        )
        draw = ac + bank.cooling_frac * rack_loss
        return cls(racks, np.array([ac, dc, np.maximum.accumulate(dc), np.maximum.accumulate(draw)]))


@compiled
def store_of(racks: Racks, corners: FloatArray, ac_kw: float) -> float:
    """Return the power at the store for an AC power; below zero where modules lose more than they are given."""
    dc: float = _dc_of(corners, ac_kw)
    return dc if dc < 0 else racks.linear * dc + racks.square_per_kw * dc * dc


@compiled
def relief_of(racks: Racks, corners: FloatArray, ac_kw: float) -> float:
    """Return by how much a discharge lowers the power at the meter, less what its cooling draws."""
    dc = _dc_of(corners, ac_kw)
    rack_loss = abs(1 - racks.linear) * dc + abs(racks.square_per_kw) * dc * dc
    return ac_kw - racks.cooling_frac * max(rack_loss, 0.0)


@compiled
def _dc_of(corners: FloatArray, ac_kw: float) -> float:
    """Return the power at the racks' terminals for an AC power; at a jump that before it, beyond the end the last."""
    i = min(int(np.searchsorted(corners[AC], ac_kw)), corners.shape[1] - 1)
    at_corner = i == 0 or ac_kw >= corners[AC, i]
    dc: float = corners[DC, i] if at_corner else _between(corners, AC, DC, i, ac_kw)
    return dc


@compiled
def ac_relieving(racks: Racks, corners: FloatArray, relief_kw: float, most_kw: float) -> float:
    """Return the highest AC discharge up to a limit that lowers the power at the meter by no more than this.

    It is at least the relief itself, for cooling only takes of it. Where jumps make a rise of the discharge lower the
    relief, one that keeps it is found, not the highest of all.
    """
    if most_kw <= relief_kw or relief_of(racks, corners, most_kw) <= relief_kw:
        return most_kw
    low, high = relief_kw, most_kw
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if relief_of(racks, corners, middle) <= relief_kw:
            low = middle
        else:
            high = middle
    return low


@compiled
def ac_of(racks: Racks, corners: FloatArray, store_kw: float) -> float:
    """Return the least AC power for a power at the store; in a jump that below it, beyond the end the highest."""
    root = math.sqrt(max(racks.linear * racks.linear + 4 * racks.square_per_kw * store_kw, 0.0))
    dc = 2 * store_kw / (racks.linear + root)
    i = int(np.searchsorted(corners[MOST_DC], dc))
    if i == 0:
        return 0.0
    last: float = corners[AC, -1]
    return last if i == corners.shape[1] else _between(corners, DC, AC, i, dc)


@compiled
def ac_within(racks: Racks, corners: FloatArray, draw_kw: float) -> float:
    """Return the highest AC power that draws no more than this with its cooling."""
    i = int(np.searchsorted(corners[MOST_DRAW], draw_kw, side="right"))
    if i == 0:
        return 0.0
    if i == corners.shape[1]:
        last: float = corners[AC, -1]
        return last
    begin: float = corners[AC, i - 1]
    dc: float = corners[DC, i - 1]
    if racks.cooling_frac == 0 or dc < 0:
        return draw_kw
    # begin + x + cooling_frac (share (dc + slope x) + square (dc + slope x)²) = draw
    slope = (corners[DC, i] - dc) / (corners[AC, i] - begin)
    share, square = abs(1 - racks.linear), abs(racks.square_per_kw)
    second = racks.cooling_frac * square * slope * slope
    first = 1 + racks.cooling_frac * slope * (share + 2 * square * dc)
    short = draw_kw - begin - racks.cooling_frac * dc * (share + square * dc)
    found: float = begin + 2 * short / (first + math.sqrt(first * first + 4 * second * short))
    return found


@compiled
def _between(corners: FloatArray, x: int, y: int, i: int, at: float) -> float:
    """Return what row y has between the corner i and the one before it, where row x has a value."""
    before = corners[x, i - 1]
    found: float = corners[y, i - 1] + (at - before) * (corners[y, i] - corners[y, i - 1]) / (corners[x, i] - before)
    return found


def _with_zero(ac: FloatArray, dc: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the corners with one more where dc power passes zero, below which racks lose nothing."""
    i = np.flatnonzero((dc[:-1] < 0) & (dc[1:] > 0))
    zero = ac[i] - dc[i] * (ac[i + 1] - ac[i]) / (dc[i + 1] - dc[i])
    return np.insert(ac, i + 1, zero), np.insert(dc, i + 1, 0.0)
