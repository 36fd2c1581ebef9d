"""What modules and racks lose at each power, and the chords by which a linear program sees it.

A module's loss is a share of its rating: ``no load + proportional x + resistive x²`` with x = AC power over rating, or
a table of efficiencies. All modules of a plant share the power evenly, or only as many run as lose least, where idle
ones are switched off. Racks lose a share of the power at their DC terminals and, through their resistance, its square.
"""

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.scenario.catalogue_file import Module, Rack

FloatArray = NDArray[np.float64]
SEGMENTS = 3  # chords of each curve; the error falls with their square
W_PER_KW = 1000.0
ROUNDING_FRAC = 1e-12  # powers that differ by less of the rating are one
ROUNDED_UP = 1 + 1e-9  # of its rating a module carries by rounding


class Segment(NamedTuple):
    """A piece of a curve of power.

    Parameters
    ----------
    width_kw : float
        AC power that it takes [kW].
    frac : float
        Energy into the store over AC energy charged, or AC energy discharged over energy out of the store.
    cooling_frac : float
        Further AC power for each kW, for the heat that racks give off.
    """

    width_kw: float
    frac: float
    cooling_frac: float


@dataclass(frozen=True, kw_only=True)
class Converter:
    """The power modules of a plant.

    Parameters
    ----------
    modules : int
        How many.
    rating_kva : float
        Rating of one [kVA].
    load_frac, charge_loss_frac, discharge_loss_frac : ndarray of shape (n_points,)
        Loss of one module over its rating against its AC power over rating, from 0 to 1, linear between points.
    switches_off : bool
        Whether idle modules are switched off.
    minimum_load_frac : float
        Lowest load of a running module.
    """

    modules: int
    rating_kva: float
    load_frac: FloatArray
    charge_loss_frac: FloatArray
    discharge_loss_frac: FloatArray
    switches_off: bool
    minimum_load_frac: float

    @classmethod
    def of(cls, module: Module, modules: int) -> "Converter":
        """Return so many modules of a catalogue's type."""
        load, charge, discharge = _loss_points(module)
        return cls(
            modules=modules,
            rating_kva=module.rating_kva,
            load_frac=load,
            charge_loss_frac=charge,
            discharge_loss_frac=discharge,
            switches_off=module.switches_off_when_idle,
            minimum_load_frac=module.minimum_load_frac,
        )

    @property
    def no_load_kw(self) -> float:
        """What connected modules lose at zero power, an auxiliary load; none where they are switched off [kW]."""
        return 0.0 if self.switches_off else self.modules * self.rating_kva * float(self.discharge_loss_frac[0])

    def loss_kw(self, power_kw: FloatArray, *, charging: bool) -> FloatArray:
        """
        Return the loss of all modules, beyond what they lose at zero power while connected.

        Parameters
        ----------
        power_kw : ndarray
            AC power, not negative [kW].
        charging : bool
            The direction.

        Returns
        -------
        ndarray
            Loss, same shape [kW].
        """
        if self.modules == 0:
            return np.zeros_like(power_kw)
        curve = self.charge_loss_frac if charging else self.discharge_loss_frac
        counts = range(1, self.modules + 1) if self.switches_off else (self.modules,)
        least = np.full(np.shape(power_kw), np.inf)
        for running in counts:
            share = power_kw / (running * self.rating_kva)
            loss = running * self.rating_kva * np.interp(share, self.load_frac, curve)
            # A little above the rating is rounding; far above it the plant refuses the power.
            least = np.where(share <= ROUNDED_UP, np.minimum(least, loss), least)
        least = np.where(np.isinf(least), self.modules * self.rating_kva * float(curve[-1]), least)
        idle = 0.0 if self.switches_off else self.no_load_kw
        return np.where(power_kw > 0, least - idle, 0.0)

    def loss_corners(self, *, charging: bool) -> tuple[FloatArray, FloatArray]:
        """
        Return the corners of the loss curve, between which it is straight; a jump has two corners at one power.

        Parameters
        ----------
        charging : bool
            The direction.

        Returns
        -------
        power_kw : ndarray of shape (n_corners,)
            AC power, rising from 0 [kW].
        loss_kw : ndarray of shape (n_corners,)
            The loss there, as `loss_kw` counts it [kW].
        """
        return self._corners[0 if charging else 1]

    @cached_property
    def _corners(self) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
        return self._corners_of(self.charge_loss_frac), self._corners_of(self.discharge_loss_frac)

    def _corners_of(self, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
        if self.modules == 0:
            return np.zeros(1), np.zeros(1)
        counts = np.arange(1, self.modules + 1) if self.switches_off else np.array([self.modules])
        ratings = counts * self.rating_kva
        full = ratings * (1 + ROUNDED_UP) / 2  # where no rounding of a quotient decides on which side a power lies
        power = _distinct(np.concatenate((np.outer(ratings, self.load_frac).ravel(), full)))

        def each(at_kw: FloatArray) -> FloatArray:
            return np.array([rating * np.interp(at_kw / rating, self.load_frac, curve) for rating in ratings])

        power = _distinct(np.concatenate((power, _crossings(power, each(power)))))
        loss = each(power)
        before = np.where(power <= full[:, np.newaxis], loss, np.inf).min(axis=0)
        after = np.where(power < full[:, np.newaxis], loss, np.inf).min(axis=0)
        idle = 0.0 if self.switches_off else self.no_load_kw
        before[0], after[-1] = idle, before[-1]  # nothing is lost at rest, and nothing lies beyond the rating
        both = np.column_stack((before, after)) - idle
        jumps = np.column_stack((np.ones(len(power), dtype=bool), before != after))
        return np.repeat(power, 2)[jumps.ravel()], both[jumps]

    def enveloped(self) -> "Converter":
        """Return one module of the whole rating that loses what a schedule sees of staged ones: convex, no jumps."""
        if not self.switches_off or self.modules == 0:
            return self
        curves = [self.loss_corners(charging=charging) for charging in (True, False)]
        # Corners of the hull only: close to one another, points would make its slopes a matter of rounding.
        power = _distinct(np.concatenate([corners[_hull_corners(corners, loss)] for corners, loss in curves]))
        total_kw = self.modules * self.rating_kva
        charge, discharge = (
            np.interp(power, corners, _hull_below(corners, loss)) / total_kw for corners, loss in curves
        )
        return Converter(
            modules=1,
            rating_kva=total_kw,
            load_frac=power / total_kw,
            charge_loss_frac=charge,
            discharge_loss_frac=discharge,
            switches_off=False,
            minimum_load_frac=self.minimum_load_frac / self.modules,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RackBank:
    """The racks of a plant, in parallel.

    Parameters
    ----------
    charge_frac, discharge_frac : float
        Constant part of their one-way efficiency.
    square_per_kw : float
        Loss for each kW² at the DC terminals, through resistance [1/kW].
    cooling_frac : float
        AC power for each kW of loss.
    """

    charge_frac: float
    discharge_frac: float
    square_per_kw: float
    cooling_frac: float

    @classmethod
    def of(cls, rack: Rack, racks: int) -> "RackBank":
        """Return so many racks of a catalogue's type."""
        square = 0.0
        if rack.voltage is not None and racks:
            square = rack.resistance_ohm * W_PER_KW / (racks * rack.voltage.nominal_v**2)
        return cls(
            charge_frac=rack.charge_efficiency_frac,
            discharge_frac=rack.discharge_efficiency_frac,
            square_per_kw=square,
            cooling_frac=0.0 if rack.thermal is None else rack.thermal.per_loss_frac,
        )

    def loss_kw(self, dc_kw: FloatArray, *, charging: bool) -> FloatArray:
        """Return the loss for a power at the DC terminals, not negative [kW]."""
        constant = 1 - self.charge_frac if charging else 1 / self.discharge_frac - 1
        return constant * dc_kw + self.square_per_kw * dc_kw**2


def segments(converter: Converter, bank: RackBank, most_kw: float, *, charging: bool) -> tuple[Segment, ...]:
    """
    Return the chords of a curve of power: of what reaches the store when charging, of what leaves it when discharging.

    A chord lies on the lossy side of a curve whose losses grow faster and faster, so it never promises more than the
    curve. Where they do not (a table, or modules that are switched off) the losses are first replaced: those of a table
    by a convex curve above it, those of staged modules by the convex hull below them, which is optimistic between the
    powers at which a further module starts.

    Parameters
    ----------
    converter : Converter
        The modules.
    bank : RackBank
        The racks.
    most_kw : float
        AC power up to which chords are wanted [kW].
    charging : bool
        The direction.

    Returns
    -------
    tuple of Segment
        In the order in which they are filled; one where losses are proportional.
    """
    if most_kw <= 0:
        return (Segment(0.0, bank.charge_frac if charging else bank.discharge_frac, 0.0),)
    power, ends = _grid(converter, most_kw)
    sign = 1.0 if charging else -1.0
    module_loss = converter.loss_kw(power, charging=charging)
    module_loss = _hull_below(power, module_loss) if converter.switches_off else _convex_above(power, module_loss)
    dc = power - sign * module_loss
    rack_loss = bank.loss_kw(dc, charging=charging)
    lost = module_loss + rack_loss
    if np.max(np.abs(lost - power / most_kw * lost[-1])) <= 1e-12 * most_kw:
        ends = ends[[0, -1]]
    widths = np.diff(power[ends])
    moved = np.diff((power - sign * lost)[ends])  # into the store, or out of it
    cooling = bank.cooling_frac * np.diff(rack_loss[ends]) / widths
    fracs = moved / widths if charging else widths / moved
    return tuple(Segment(*map(float, piece)) for piece in zip(widths, fracs, cooling, strict=True))


def weighted_efficiency(converter: Converter, weights: dict[float, float]) -> float:
    """
    Return the efficiency of discharging modules weighted by load, all of them connected.

    Parameters
    ----------
    converter : Converter
        The modules.
    weights : dict of float to float
        Weight of each load, AC power over rating; they sum to 1.

    Returns
    -------
    float
        The weighted efficiency, without racks and auxiliaries.
    """
    rating_kw = converter.modules * converter.rating_kva
    total = 0.0
    for load, weight in weights.items():
        power = np.array([load * rating_kw])
        loss = float(converter.loss_kw(power, charging=False)[0]) + converter.no_load_kw
        total += weight * float(power[0]) / (float(power[0]) + loss)
    return total


def _distinct(values: FloatArray) -> FloatArray:
    """Return values in order, those once that differ by rounding only."""
    ordered = np.unique(values)
    return np.asarray(ordered[np.diff(ordered, prepend=-np.inf) > ROUNDING_FRAC * ordered[-1]])


def _crossings(x: FloatArray, lines: FloatArray) -> FloatArray:
    """Return where two of some curves that are straight between the points x cross between these points."""
    found = [np.zeros(0)]
    for one, other in itertools.combinations(lines, 2):
        apart = one - other
        i = np.flatnonzero(apart[:-1] * apart[1:] < 0)
        found.append(x[i] + (x[i + 1] - x[i]) * apart[i] / (apart[i] - apart[i + 1]))
    return np.concatenate(found)


def _loss_points(module: Module) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return load, loss when charging and loss when discharging of one module, all over its rating."""
    if module.loss is not None:
        curve, load = module.loss, np.linspace(0.0, 1.0, 201)
        loss = curve.no_load_frac + curve.proportional_frac * load + curve.resistive_frac * load**2
        return load, loss, loss
    if module.efficiency_curve is not None:
        points = module.efficiency_curve
        load = np.array([point.load_frac for point in points])
        loss = load * (1 / np.array([point.efficiency_frac for point in points]) - 1)
        # Below the first point a data sheet says nothing: what is lost there is lost at any lower load.
        load, loss = np.concatenate(([0.0], load)), np.concatenate((loss[:1], loss))
        if load[-1] < 1:
            slope = (loss[-1] - loss[-2]) / (load[-1] - load[-2])
            load, loss = np.append(load, 1.0), np.append(loss, loss[-1] + slope * (1 - load[-1]))
        return load, loss, loss
    load = np.array([0.0, 1.0])
    charge, discharge = module.charge_efficiency_frac or 1.0, module.discharge_efficiency_frac or 1.0
    return load, load * (1 - charge), load * (1 / discharge - 1)


def _grid(converter: Converter, most_kw: float) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return powers at which the curves are worked out, corners of the losses among them, and where chords end."""
    even = np.linspace(0.0, most_kw, 24 * SEGMENTS + 1)
    # A table may bend down between two even points, and the curve would lie beyond what is worked out at these.
    corners = converter.modules * converter.rating_kva * converter.load_frac
    beside = np.abs(corners[:, np.newaxis] - even).min(axis=1) > 1e-6 * most_kw
    power = np.sort(np.concatenate((even, corners[beside & (corners < most_kw)])))
    return power, np.searchsorted(power, even[:: len(even) // SEGMENTS])


def _convex_above(power: FloatArray, loss: FloatArray) -> FloatArray:
    """Return a convex curve from the first point that is nowhere below the losses."""
    slopes = np.maximum.accumulate(np.diff(loss) / np.diff(power))
    raised: FloatArray = loss[0] + np.concatenate(([0.0], np.cumsum(slopes * np.diff(power))))
    return raised


def _hull_below(power: FloatArray, loss: FloatArray) -> FloatArray:
    """Return the largest convex curve that is nowhere above the losses."""
    corners = _hull_corners(power, loss)
    return np.asarray(np.interp(power, power[corners], loss[corners]))


def _hull_corners(power: FloatArray, loss: FloatArray) -> list[int]:
    """Return the positions of the corners of the largest convex curve that is nowhere above the losses."""
    corners: list[int] = []
    for i in range(len(power)):
        while len(corners) > 1:
            a, b = corners[-2], corners[-1]
            if (loss[b] - loss[a]) * (power[i] - power[a]) < (loss[i] - loss[a]) * (power[b] - power[a]):
                break
            corners.pop()
        corners.append(i)
    return corners
