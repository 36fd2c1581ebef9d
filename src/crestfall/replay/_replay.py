"""Step a schedule through the true plant as a controller would, and account for every kWh.

The controller knows the plan and the state, nothing of the optimiser. It steers the store towards the planned content
of the end of each step, since small differences would pile up if it only repeated the planned powers; it never
charges above the planned peaks, and never exports for it what was not planned to be exported. What the racks'
taper, the ambient temperature or the modules' least load forbid is clipped, and made good later where the plan leaves
room.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Curve, Schedule
from crestfall.plant import NO_TRANSFORMER, EndTaper, Plant, TransformerLosses
from crestfall.series import SiteSeries

FloatArray = NDArray[np.float64]
TABLE_POINTS = 4001  # of the inverse curves; the state itself is stepped by the true ones
STANDSTILL_KW = 1e-4  # power below is rounding
NOTICEABLE_KWH = 1e-3
DEADBAND_FRAC = 0.005  # of the usable energy: how far the store may stray while the plan stands still


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the controller meets in each step; all arrays have the shape (n_steps,).

    Parameters
    ----------
    auxiliary_kw : ndarray
        AC power of auxiliaries but for what losses add to cooling [kW].
    charge_limit_kw, discharge_limit_kw : ndarray
        AC limits of the plant, ambient temperature and sources of the charge included [kW].
    export_limit_kw : ndarray
        Limit of export, `inf` for none [kW].
    import_target_kw : ndarray
        Planned peak that import must not exceed for the sake of charging, `inf` for none [kW].
    kvar : ndarray or None
        Reactive power at the site's side of the transformer; None where it is unknown [kvar].
    transformer : TransformerLosses
        What stands between meter and site.
    """

    auxiliary_kw: FloatArray
    charge_limit_kw: FloatArray
    discharge_limit_kw: FloatArray
    export_limit_kw: FloatArray
    import_target_kw: FloatArray
    kvar: FloatArray | None = None
    transformer: TransformerLosses = NO_TRANSFORMER


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyAccount:
    """Energy of a whole year by where it went; all in kWh.

    Parameters
    ----------
    load_kwh, pv_kwh, curtailed_kwh, import_kwh, export_kwh : float
        At the site and its point of connection.
    charged_kwh, discharged_kwh : float
        At the converters' AC terminals.
    module_loss_kwh, rack_loss_kwh, standing_loss_kwh, auxiliary_kwh, transformer_loss_kwh : float
        Losses by cause, each summed from its own curve: power modules, racks, self-discharge, auxiliaries with cooling,
        and the transformer of the whole site.
    out_of_store_kwh : float
        Energy taken out of the racks, DC.
    change_in_store_kwh : float
        Stored energy at the end less that at the start, as replayed.
    drift_kwh : float
        Largest distance between the replayed and the planned store at any step.
    clipped_kwh : float
        Energy that the plan moves into or out of the store in a step and the plant could not.
    """

    load_kwh: float
    pv_kwh: float
    curtailed_kwh: float
    import_kwh: float
    export_kwh: float
    charged_kwh: float
    discharged_kwh: float
    module_loss_kwh: float
    rack_loss_kwh: float
    standing_loss_kwh: float
    auxiliary_kwh: float
    transformer_loss_kwh: float
    out_of_store_kwh: float
    change_in_store_kwh: float
    drift_kwh: float
    clipped_kwh: float

    @property
    def residual_kwh(self) -> float:
        """Energy in less energy out, losses and change in store; zero but for rounding."""
        energy_in = self.import_kwh + self.pv_kwh - self.curtailed_kwh
        losses = self.module_loss_kwh + self.rack_loss_kwh + self.standing_loss_kwh + self.auxiliary_kwh
        losses += self.transformer_loss_kwh
        return energy_in - self.export_kwh - self.load_kwh - losses - self.change_in_store_kwh

    @property
    def round_trip_frac(self) -> float | None:
        """Discharged over charged AC energy, the change in store valued at nothing; None without any charge."""
        return self.discharged_kwh / self.charged_kwh if self.charged_kwh > 0 else None

    @property
    def round_trip_with_auxiliaries_frac(self) -> float | None:
        """The same with the auxiliaries' energy counted as charged."""
        return self.discharged_kwh / (self.charged_kwh + self.auxiliary_kwh) if self.charged_kwh > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What the true plant did; all arrays have the shape (n_steps,).

    Parameters
    ----------
    charge_kw, discharge_kw, curtailed_kw, import_kw, export_kw : ndarray
        Flows [kW].
    stored_kwh : ndarray
        Energy in the racks at the end of each step [kWh].
    energy : EnergyAccount
        The year's energies by cause.
    """

    charge_kw: FloatArray
    discharge_kw: FloatArray
    curtailed_kw: FloatArray
    import_kw: FloatArray
    export_kw: FloatArray
    stored_kwh: FloatArray
    energy: EnergyAccount


def replay(plant: Plant, series: SiteSeries, schedule: Schedule, around: Surroundings) -> Replayed:
    """
    Step a schedule through the true plant.

    Parameters
    ----------
    plant : Plant
        Losses, tapers, limits.
    series : SiteSeries
        Load and PV on the same steps.
    schedule : Schedule
        The plan.
    around : Surroundings
        Auxiliaries, limits and targets of each step.

    Returns
    -------
    Replayed
        Flows at the meter, the store, and where the energy went.
    """
    h = series.step_h
    power = _Controller(plant, series, schedule, around).run()
    charge, discharge = np.maximum(power, 0.0), np.maximum(-power, 0.0)
    module_loss = [plant.module_loss_kw(flow, charging=way) for flow, way in ((charge, True), (discharge, False))]
    rack_loss = [plant.rack_loss_kw(flow, charging=way) for flow, way in ((charge, True), (discharge, False))]
    into, outof = charge - module_loss[0] - rack_loss[0], discharge + module_loss[1] + rack_loss[1]
    cooling = plant.bank.cooling_frac * (rack_loss[0] + rack_loss[1])
    stored, standing_kwh = _stepped(plant, schedule.start_kwh, h * (into - outof), h)
    net = series.load_kw + around.auxiliary_kw + cooling + power - series.pv_kw
    lost = around.transformer.loss_kw(net + schedule.curtailed_kw, around.kvar)
    net += lost
    # What the plan held back for the export limit, and what the true flows would put above it.
    curtailed = np.minimum(np.maximum(schedule.curtailed_kw, -net - around.export_limit_kw), series.pv_kw)
    net = net + curtailed
    return Replayed(
        charge_kw=charge,
        discharge_kw=discharge,
        curtailed_kw=curtailed,
        import_kw=np.maximum(net, 0.0),
        export_kw=np.maximum(-net, 0.0),
        stored_kwh=stored,
        energy=EnergyAccount(
            load_kwh=h * float(series.load_kw.sum()),
            pv_kwh=h * float(series.pv_kw.sum()),
            curtailed_kwh=h * float(curtailed.sum()),
            import_kwh=h * float(np.maximum(net, 0.0).sum()),
            export_kwh=h * float(np.maximum(-net, 0.0).sum()),
            charged_kwh=h * float(charge.sum()),
            discharged_kwh=h * float(discharge.sum()),
            module_loss_kwh=h * float(sum(loss.sum() for loss in module_loss)),
            rack_loss_kwh=h * float(sum(loss.sum() for loss in rack_loss)),
            standing_loss_kwh=standing_kwh,
            auxiliary_kwh=h * float((around.auxiliary_kw + cooling).sum()),
            transformer_loss_kwh=h * float(lost.sum()),
            out_of_store_kwh=h * float(outof.sum()),
            change_in_store_kwh=float(stored[-1]) - schedule.start_kwh,
            drift_kwh=float(np.max(np.abs(stored - schedule.stored_kwh))),
            clipped_kwh=_clipped_kwh(plant, schedule, h * (into - outof), h),
        ),
    )


def _clipped_kwh(plant: Plant, schedule: Schedule, change_kwh: FloatArray, step_h: float) -> float:
    """Return what the plan moves into or out of the store in its steps and the plant did not."""
    planned = schedule.stored_kwh - plant.keep_frac(step_h) * schedule.stored_before_kwh
    done = np.maximum(np.sign(planned) * change_kwh, 0.0)
    missed = np.maximum(np.abs(planned) - done, 0.0)
    return float(missed[missed > NOTICEABLE_KWH].sum())


class _Table:
    """A rising curve as a list, for quick look-up of single values."""

    def __init__(self, x: FloatArray, y: FloatArray) -> None:
        self._last = float(x[-1])
        grid = np.linspace(0.0, self._last, TABLE_POINTS)
        self._values: list[float] = np.interp(grid, x, y).tolist()
        self._per_x = (TABLE_POINTS - 1) / self._last if self._last > 0 else 0.0

    def at(self, x: float) -> float:
        if x >= self._last:
            return self._values[-1]
        position = max(x, 0.0) * self._per_x
        i = min(int(position), TABLE_POINTS - 2)  # just below the last point rounding may reach it
        return self._values[i] + (position - i) * (self._values[i + 1] - self._values[i])


class _Controller:
    """The state of the plant between steps."""

    def __init__(self, plant: Plant, series: SiteSeries, schedule: Schedule, around: Surroundings) -> None:
        self._plant = plant
        self._h = series.step_h
        power = np.linspace(0.0, max(plant.rating_kva, STANDSTILL_KW), TABLE_POINTS)
        into = np.maximum.accumulate(np.maximum(plant.into_store_kw(power), 0.0))
        outof = np.maximum.accumulate(plant.out_of_store_kw(power))
        self._into, self._outof = _Table(power, into), _Table(power, outof)
        self._charge_for, self._discharge_for = _Table(into, power), _Table(outof, power)
        cooling = plant.bank.cooling_frac * plant.rack_loss_kw(power, charging=True)
        self._charge_within = _Table(power + cooling, power)
        self._least_kw = plant.converter.minimum_load_frac * plant.converter.rating_kva
        if plant.converter.switches_off:
            # The first module to run loses at once what the tables spread up to their first point.
            self._least_kw = max(self._least_kw, float(power[1]))
        planned_net = series.load_kw + around.auxiliary_kw - series.pv_kw + schedule.curtailed_kw
        planned_net += around.transformer.loss_kw(schedule.import_kw - schedule.export_kw, around.kvar)
        self._standing_kw: list[float] = planned_net.tolist()
        self._wanted_kwh: list[float] = schedule.stored_kwh.tolist()
        self._start_kwh = schedule.start_kwh
        self._most_charge: list[float] = around.charge_limit_kw.tolist()
        self._most_discharge: list[float] = around.discharge_limit_kw.tolist()
        self._import_cap: list[float] = np.maximum(around.import_target_kw, schedule.import_kw).tolist()
        may_export = np.where(schedule.export_kw > STANDSTILL_KW, around.export_limit_kw, 0.0)
        self._least_net: list[float] = (-np.maximum(may_export, schedule.export_kw)).tolist()
        self._deadband_kwh = DEADBAND_FRAC * plant.usable_kwh
        self._planned: list[float] = (schedule.charge_kw - schedule.discharge_kw).tolist()
        chords = Curve.charging(plant.charge_segments)
        self._planned_draw: list[float] = (schedule.charge_kw + chords.cooling_kw(schedule.charge_kw)).tolist()

    def run(self) -> FloatArray:
        """Return the AC power of each step, charge positive [kW]."""
        plant, h = self._plant, self._h
        keep = plant.keep_frac(h)
        power = np.zeros(len(self._wanted_kwh))
        content = self._start_kwh
        for t, wanted in enumerate(self._wanted_kwh):
            kept = content * keep
            flow = (wanted - kept) / h
            if self._planned[t] == 0.0 and abs(wanted - kept) < self._deadband_kwh:
                content = kept
                continue
            if flow > STANDSTILL_KW:
                ac = self._charge(t, flow, content, kept)
                content = kept + h * self._into.at(ac)
                power[t] = ac
            elif flow < -STANDSTILL_KW:
                ac = self._discharge(t, -flow, content, kept)
                content = kept - h * self._outof.at(ac) if ac > 0 else kept
                power[t] = -ac
            else:
                content = kept
        return power

    def _charge(self, t: int, flow_kw: float, content: float, kept: float) -> float:
        plant = self._plant
        most = plant.into_limit_kw * _tapered(plant.charge_taper, content, plant.ceiling_kwh)
        flow_kw = min(flow_kw, most, max(plant.ceiling_kwh - kept, 0.0) / self._h)
        # Catching up is done under the planned peaks only; what was planned itself may go on.
        room = self._charge_within.at(max(self._import_cap[t] - self._standing_kw[t], self._planned_draw[t]))
        return self._at_least(min(self._charge_for.at(flow_kw), self._most_charge[t], room))

    def _discharge(self, t: int, flow_kw: float, content: float, kept: float) -> float:
        plant = self._plant
        most = plant.outof_limit_kw * _tapered(plant.discharge_taper, content, plant.floor_kwh)
        flow_kw = min(flow_kw, most, max(kept - plant.floor_kwh, 0.0) / self._h)
        room = max(self._standing_kw[t] - self._least_net[t], -self._planned[t], 0.0)
        return self._at_least(min(self._discharge_for.at(flow_kw), self._most_discharge[t], room))

    def _at_least(self, power_kw: float) -> float:
        return power_kw if power_kw >= self._least_kw else 0.0


def _tapered(taper: EndTaper | None, content_kwh: float, end_kwh: float) -> float:
    """Return the share of a limit that is left at a content on the way to an end of the window."""
    if taper is None:
        return 1.0
    way = (content_kwh - taper.from_kwh) / (end_kwh - taper.from_kwh)
    return 1.0 - (1.0 - taper.at_end_frac) * min(max(way, 0.0), 1.0)


def _stepped(plant: Plant, start_kwh: float, change_kwh: FloatArray, step_h: float) -> tuple[FloatArray, float]:
    """Return the store at the end of each step, and what was lost by standing."""
    loss_frac = 1 - plant.keep_frac(step_h)
    if loss_frac == 0:
        return start_kwh + np.cumsum(change_kwh), 0.0
    stored = np.empty_like(change_kwh)
    before, standing_kwh = start_kwh, 0.0
    for step, change in enumerate(change_kwh.tolist()):
        lost = before * loss_frac
        standing_kwh += lost
        before += change - lost
        stored[step] = before
    return stored, standing_kwh
