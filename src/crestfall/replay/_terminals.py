"""The true curve between AC terminals and store for single powers, quick in a loop over steps, and its inverse.

Between the corners of the modules' losses the power at the DC terminals is straight in the AC power; the racks then
take a linear and a square part of it. So both ways are closed forms, exact on either side of each jump.
"""

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.plant import Plant

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Terminals:
    """One direction of power through a plant.

    Parameters
    ----------
    linear, square_per_kw : float
        Power at the store is ``linear dc + square_per_kw dc²`` for a power dc at the racks' terminals.
    ac_kw, dc_kw : list of float
        Corners of the curve of dc power against AC power; a jump has two at one AC power.
    most_dc_kw : list of float
        Highest dc power up to each corner.
    cooling_frac : float
        Further AC power for each kW that racks lose.
    most_draw_kw : list of float
        Highest AC power with cooling up to each corner.
    """

    linear: float
    square_per_kw: float
    ac_kw: list[float]
    dc_kw: list[float]
    most_dc_kw: list[float]
    cooling_frac: float
    most_draw_kw: list[float]

    @classmethod
    def of(cls, plant: Plant, *, charging: bool) -> "Terminals":
        """Return a plant's curve of one direction."""
        bank = plant.bank
        ac, loss = plant.converter.loss_corners(charging=charging)
        dc = ac - loss if charging else ac + loss
        ac, dc = _with_zero(ac, dc)
        rack_loss = bank.loss_kw(np.maximum(dc, 0.0), charging=charging)
        return cls(
            linear=bank.charge_frac if charging else 1 / bank.discharge_frac,
            square_per_kw=-bank.square_per_kw if charging else bank.square_per_kw,
            ac_kw=ac.tolist(),
            dc_kw=dc.tolist(),
            most_dc_kw=np.maximum.accumulate(dc).tolist(),
            cooling_frac=bank.cooling_frac,
            most_draw_kw=np.maximum.accumulate(ac + bank.cooling_frac * rack_loss).tolist(),
        )

    def store_of(self, ac_kw: float) -> float:
        """Return the power at the store for an AC power; below zero where modules lose more than they are given."""
        i = min(bisect_left(self.ac_kw, ac_kw), len(self.ac_kw) - 1)
        dc = self.dc_kw[i] if i == 0 or ac_kw >= self.ac_kw[i] else self._between(self.ac_kw, self.dc_kw, i, ac_kw)
        return dc if dc < 0 else self.linear * dc + self.square_per_kw * dc * dc

    def ac_of(self, store_kw: float) -> float:
        """Return the least AC power for a power at the store; in a jump that below it, beyond the end the highest."""
        root = math.sqrt(max(self.linear**2 + 4 * self.square_per_kw * store_kw, 0.0))
        dc = 2 * store_kw / (self.linear + root)
        i = bisect_left(self.most_dc_kw, dc)
        if i == 0:
            return 0.0
        return self.ac_kw[-1] if i == len(self.ac_kw) else self._between(self.dc_kw, self.ac_kw, i, dc)

    def ac_within(self, draw_kw: float) -> float:
        """Return the highest AC power that draws no more than this with its cooling."""
        i = bisect_right(self.most_draw_kw, draw_kw)
        if i == 0 or i == len(self.ac_kw):
            return 0.0 if i == 0 else self.ac_kw[-1]
        begin, dc = self.ac_kw[i - 1], self.dc_kw[i - 1]
        if self.cooling_frac == 0 or dc < 0:
            return draw_kw
        # begin + x + cooling_frac (share (dc + slope x) + square (dc + slope x)²) = draw
        slope = (self.dc_kw[i] - dc) / (self.ac_kw[i] - begin)
        share, square = abs(1 - self.linear), abs(self.square_per_kw)
        second = self.cooling_frac * square * slope**2
        first = 1 + self.cooling_frac * slope * (share + 2 * square * dc)
        short = draw_kw - begin - self.cooling_frac * dc * (share + square * dc)
        return begin + 2 * short / (first + math.sqrt(first**2 + 4 * second * short))

    @staticmethod
    def _between(x: list[float], y: list[float], i: int, at: float) -> float:
        """Return the value between the corner i and the one before it."""
        return y[i - 1] + (at - x[i - 1]) * (y[i] - y[i - 1]) / (x[i] - x[i - 1])


def _with_zero(ac: FloatArray, dc: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the corners with one more where dc power passes zero, below which racks lose nothing."""
    i = np.flatnonzero((dc[:-1] < 0) & (dc[1:] > 0))
    zero = ac[i] - dc[i] * (ac[i + 1] - ac[i]) / (dc[i + 1] - dc[i])
    return np.insert(ac, i + 1, zero), np.insert(dc, i + 1, 0.0)
