"""What is to be optimised: one store behind one meter, as arrays."""

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np

from crestfall.dispatch._curve import WITHOUT_END_KW, Curve
from crestfall.dispatch._settlement import NOTHING_TO_SETTLE, FloatArray, FlowSum, Peak, Settlement, highest
from crestfall.plant import Segment


class Taper(NamedTuple):
    """A limit of power at the store that falls with stored energy: ``power + slope * stored <= limit``.

    Parameters
    ----------
    slope_per_h : float
        By how much the limit falls for each kWh; negative where it rises with stored energy.
    limit_kw : float
        The limit of an empty store.
    """

    slope_per_h: float
    limit_kw: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A dispatch problem for one store; all arrays have the shape (n_steps,).

    Parameters
    ----------
    step_h : float
        Length of a step [h].
    load_kw, auxiliary_kw, pv_kw : ndarray
        Consumption of the site, of the plant's auxiliaries, and available PV [kW].
    curtailable_kw : ndarray
        Part of the PV that may be left unused [kW].
    buy_per_kwh, sell_per_kwh : ndarray
        Prices of import and export.
    import_limit_kw, export_limit_kw : ndarray
        Limits at the point of connection; `inf` for none [kW].
    charge_limit_kw, discharge_limit_kw : ndarray
        Limits at the converters' AC terminals [kW].
    into_limit_kw, outof_limit_kw : ndarray
        Limits of the power into and out of the store, behind the losses [kW].
    charge_frac, discharge_frac : float
        Energy into the store over AC energy charged; AC energy discharged over energy out of the store. With segments
        they are the figures at full power, for those who want one number.
    keep_frac : float
        Share of the stored energy left after a step of standing.
    floor_kwh, ceiling_kwh : ndarray
        Bounds of the stored energy at the end of each step [kWh].
    start_kwh, end_kwh : float or None
        Stored energy before the first and after the last step. Start None: both are equal and free (periodic). End
        None with a start: the end is free.
    charge_segments, discharge_segments : tuple of Segment
        Chords of the curves of power; empty: the constant figures hold at any power.
    charge_taper, discharge_taper : Taper or None
        Limits of power into and out of the store that fall towards full and towards empty.
    wear_per_kwh : float
        Price on each kWh discharged (AC).
    out_price_per_kwh : float
        Price on each kWh taken out of the store, DC.
    most_out_kwh, most_import_kwh : float or None
        Budgets of all steps together: energy taken out of the store, DC, and imported; None for none [kWh].
    peaks : tuple of Peak
        Billed peaks.
    sums : tuple of FlowSum
        Sums of import and export that the settlement needs.
    settlement : Settlement
        What the bill makes of peaks and sums beyond the price of each.
    fixed_cost : float
        What is due whatever is done; added to every objective.

    Raises
    ------
    ValueError
        If an array has the wrong shape or an impossible entry, or the store's bounds contradict each other; the
        message gives the name, the value and the step.
    """

    step_h: float
    load_kw: FloatArray
    auxiliary_kw: FloatArray
    pv_kw: FloatArray
    curtailable_kw: FloatArray
    buy_per_kwh: FloatArray
    sell_per_kwh: FloatArray
    import_limit_kw: FloatArray
    export_limit_kw: FloatArray
    charge_limit_kw: FloatArray
    discharge_limit_kw: FloatArray
    into_limit_kw: FloatArray
    outof_limit_kw: FloatArray
    charge_frac: float
    discharge_frac: float
    keep_frac: float
    floor_kwh: FloatArray
    ceiling_kwh: FloatArray
    start_kwh: float | None = None
    end_kwh: float | None = None
    charge_segments: tuple[Segment, ...] = ()
    discharge_segments: tuple[Segment, ...] = ()
    charge_taper: Taper | None = None
    discharge_taper: Taper | None = None
    wear_per_kwh: float = 0.0
    out_price_per_kwh: float = 0.0
    most_out_kwh: float | None = None
    most_import_kwh: float | None = None
    peaks: tuple[Peak, ...] = ()
    sums: tuple[FlowSum, ...] = ()
    settlement: Settlement = NOTHING_TO_SETTLE
    fixed_cost: float = 0.0

    def __post_init__(self) -> None:
        for spec in fields(self):
            if spec.type == FloatArray:
                self._check_array(spec.name, getattr(self, spec.name))
        for name in ("charge_frac", "discharge_frac", "keep_frac"):
            if not 0 < getattr(self, name) <= 1:
                raise ValueError(f"{name} is {getattr(self, name)}, expected a share in (0, 1]; write 97 % as 0.97")
        if not self.step_h > 0:
            raise ValueError(f"step_h is {self.step_h}, expected a length above 0")
        if not self.wear_per_kwh >= 0:
            raise ValueError(f"wear_per_kwh is {self.wear_per_kwh}, expected 0 or more: it would pay for cycling")
        for name in ("out_price_per_kwh", "most_out_kwh", "most_import_kwh"):
            if getattr(self, name) is not None and not getattr(self, name) >= 0:
                raise ValueError(f"{name} is {getattr(self, name)}, expected 0 or more")
        for name in ("most_charge_kw", "most_discharge_kw"):
            if not np.isfinite(getattr(self, name)).all():
                raise ValueError(f"{name} is not finite; limit the converter or the store")
        if (beyond := self.curtailable_kw > self.pv_kw).any():
            raise ValueError(f"curtailable_kw is above pv_kw at step {int(np.argmax(beyond))}")
        self._check_store()
        self._check_peaks()

    def _check_array(self, name: str, value: FloatArray) -> None:
        if not isinstance(value, np.ndarray) or value.shape != (self.n_steps,):
            raise ValueError(f"{name} has the shape {np.shape(value)}, expected an array of shape ({self.n_steps},)")
        if np.isnan(value).any():
            raise ValueError(f"{name} is NaN at step {int(np.argmax(np.isnan(value)))}")
        if not name.endswith("_per_kwh") and (value < 0).any():
            step = int(np.argmax(value < 0))
            raise ValueError(f"{name} is {value[step]:g} at step {step}, expected 0 or more")
        if not name.endswith("_limit_kw") and np.isinf(value).any():
            raise ValueError(f"{name} is infinite at step {int(np.argmax(np.isinf(value)))}")

    def _check_store(self) -> None:
        if (self.floor_kwh > self.ceiling_kwh).any():
            raise ValueError(
                f"floor_kwh is above ceiling_kwh at step {int(np.argmax(self.floor_kwh > self.ceiling_kwh))}"
            )
        if self.start_kwh is None and self.end_kwh is not None:
            raise ValueError("end_kwh without start_kwh; give both, or neither for a periodic store")
        if self.start_kwh is not None and not 0 <= self.start_kwh < np.inf:
            raise ValueError(f"start_kwh is {self.start_kwh}, expected 0 or more")
        if self.end_kwh is not None and not self.floor_kwh[-1] <= self.end_kwh <= self.ceiling_kwh[-1]:
            raise ValueError(
                f"end_kwh is {self.end_kwh:g}, expected {self.floor_kwh[-1]:g} to {self.ceiling_kwh[-1]:g},"
                " the floor and the ceiling of the last step"
            )

    def _check_peaks(self) -> None:
        for peak in self.peaks:
            if not 0 <= peak.rate_per_kw < np.inf:
                raise ValueError(f"peak '{peak.name}' has the rate {peak.rate_per_kw:g}, expected 0 or more")
            if peak.steps.size and not (peak.steps.min() >= 0 and peak.steps.max() + peak.span <= self.n_steps):
                raise ValueError(f"peak '{peak.name}' measures steps outside 0 to {self.n_steps - 1}")
            is_rising = bool((np.diff(peak.steps) > 0).all())
            if not is_rising and len(np.unique(peak.steps)) != peak.steps.size:
                raise ValueError(f"peak '{peak.name}' measures a step twice")
        if self.settlement.names and self.settlement.n_measured != len(self.peaks) + len(self.sums):
            raise ValueError(
                f"settlement counts {self.settlement.n_measured} peaks and sums, expected {len(self.peaks)} and"
                f" {len(self.sums)}"
            )

    @property
    def n_steps(self) -> int:
        """Number of steps."""
        return len(self.load_kw)

    @property
    def charging(self) -> Curve:
        """Power into the store against AC power."""
        return Curve.charging(self.charge_segments or (Segment(WITHOUT_END_KW, self.charge_frac, 0.0),))

    @property
    def discharging(self) -> Curve:
        """Power out of the store against AC power."""
        return Curve.discharging(self.discharge_segments or (Segment(WITHOUT_END_KW, self.discharge_frac, 0.0),))

    def cooling_kw(self, charge_kw: FloatArray, discharge_kw: FloatArray) -> FloatArray:
        """Return the AC power of cooling for given flows [kW]."""
        return self.charging.cooling_kw(charge_kw) + self.discharging.cooling_kw(discharge_kw)

    @property
    def most_charge_kw(self) -> FloatArray:
        """Highest charge that the converter and the store both allow, AC [kW]."""
        return np.minimum(self.charge_limit_kw, self.charging.at_terminals(self.into_limit_kw))

    @property
    def most_discharge_kw(self) -> FloatArray:
        """Highest discharge that the converter and the store both allow, AC [kW]."""
        return np.minimum(self.discharge_limit_kw, self.discharging.at_terminals(self.outof_limit_kw))

    @property
    def most_import_kw(self) -> FloatArray:
        """Highest import that one-way flows can reach within the limit [kW]; finite, which bounds every relaxation."""
        charge = self.most_charge_kw
        cooled = charge + self.cooling_kw(charge, self.most_discharge_kw)
        reachable = self.load_kw + self.auxiliary_kw + cooled - self.pv_kw + self.curtailable_kw
        return np.clip(reachable, 0, self.import_limit_kw)

    @property
    def most_export_kw(self) -> FloatArray:
        """Highest export that one-way flows can reach within the limit [kW]."""
        reachable = self.pv_kw + self.most_discharge_kw - self.load_kw - self.auxiliary_kw
        return np.clip(reachable, 0, self.export_limit_kw)

    def running_cost(self, *, import_kw: FloatArray, export_kw: FloatArray, discharge_kw: FloatArray) -> float:
        """
        Return the objective of given flows: energy, billed peaks, fixed amounts and wear.

        Parameters
        ----------
        import_kw, export_kw, discharge_kw : ndarray of shape (n_steps,)
            Flows at the meter and at the converter [kW].
        """
        flows_cost = self.flows_cost(import_kw=import_kw, export_kw=export_kw, discharge_kw=discharge_kw)
        return flows_cost + self.settled_cost(self.measured(import_kw, export_kw))

    def flows_cost(self, *, import_kw: FloatArray, export_kw: FloatArray, discharge_kw: FloatArray) -> float:
        """Return what is paid for each kWh of given flows, wear included."""
        # Summed without a threaded product: its threads take longer to wake than the sum does.
        at_meter = (self.buy_per_kwh * import_kw - self.sell_per_kwh * export_kw).sum()
        energy = self.step_h * float(at_meter + self.wear_per_kwh * discharge_kw.sum())
        if self.out_price_per_kwh:
            energy += self.out_price_per_kwh * self.out_kwh(discharge_kw)
        return energy

    def settled_cost(self, measured: FloatArray) -> float:
        """Return what is paid for measured peaks and sums, fixed amounts included."""
        priced = sum(peak.rate_per_kw * value for peak, value in zip(self.peaks, measured, strict=False))
        return float(priced + self.settlement.least_cost(measured) + self.fixed_cost)

    def out_kwh(self, discharge_kw: FloatArray) -> float:
        """Return the energy that discharging takes out of the store in all steps, DC [kWh]."""
        return self.step_h * float(self.discharging.at_store(discharge_kw).sum())

    def measured(self, import_kw: FloatArray, export_kw: FloatArray) -> FloatArray:
        """Return the peaks and then the sums of given flows, shape (n_peaks + n_sums,)."""
        peaks = highest(self.peaks, import_kw)
        return np.concatenate((peaks, [total.of(import_kw, export_kw) for total in self.sums]))
