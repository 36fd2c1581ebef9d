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
from crestfall.replay._steering import STANDSTILL_KW, Course, End, KnownPlant, steered, stepped
from crestfall.replay._terminals import Terminals
from crestfall.series import SiteSeries

FloatArray = NDArray[np.float64]
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

    def repeated(self, times: int) -> "Surroundings":
        """Return the same for equal parts of each step."""
        return Surroundings(
            auxiliary_kw=_repeated(self.auxiliary_kw, times),
            charge_limit_kw=_repeated(self.charge_limit_kw, times),
            discharge_limit_kw=_repeated(self.discharge_limit_kw, times),
            export_limit_kw=_repeated(self.export_limit_kw, times),
            import_target_kw=_repeated(self.import_target_kw, times),
            kvar=None if self.kvar is None else _repeated(self.kvar, times),
            transformer=self.transformer,
        )


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


def replay(
    plant: Plant, series: SiteSeries, schedule: Schedule, around: Surroundings, *, substeps: int = 1
) -> Replayed:
    """
    Step a schedule through the true plant, at the step of the data or at equal parts of it.

    Within a step load, PV and surroundings are held at their mean, and meters read the step's mean.

    How much the parts matter can be bounded. Of two halves of a part of length h the first does what the whole would
    do; in the second a taper of `slope` kW per kWh has fallen by no more than ``slope h / 2`` of the power, and what
    was moved first has lost a share ``1 - keep`` by standing. From the same content the halves so move less than the
    whole by a share of no more than ``slope h / 4 + (1 - keep) / 2``. Standing lowers a taper, too: by ``slope h / 4``
    of what it loses. The controller steers both to the same content and brings any two contents no further apart (if
    ``slope h <= 2``). So at any time the stores differ by no more than B, the sum of these shares of all that moved,
    and of the steeper taper's share of all that was lost by standing; and import and losses over the year by no
    more than ``2 B`` times the highest slope of AC power over power at the store. Jumps are left out: least loads,
    modules that start and stop, and the deadband.

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
    substeps : int, default=1
        Parts of each step.

    Returns
    -------
    Replayed
        Flows at the meter, the store, and where the energy went; means of each step of the data.
    """
    h, keep = series.step_h / substeps, plant.keep_frac(series.step_h)
    power = _steered(plant, series, schedule, around, substeps)
    around = around.repeated(substeps)
    load, pv, held_back = (_repeated(flow, substeps) for flow in (series.load_kw, series.pv_kw, schedule.curtailed_kw))
    charge, discharge = np.maximum(power, 0.0), np.maximum(-power, 0.0)
    into_modules, into_racks = plant.losses_kw(charge, charging=True)
    outof_modules, outof_racks = plant.losses_kw(discharge, charging=False)
    into, outof = charge - into_modules - into_racks, discharge + outof_modules + outof_racks
    cooling = plant.bank.cooling_frac * (into_racks + outof_racks)
    stored, standing_kwh = stepped(float(schedule.start_kwh), h * (into - outof), 1 - plant.keep_frac(h))
    stored = stored[substeps - 1 :: substeps]
    net = load + around.auxiliary_kw + cooling + power - pv
    lost = around.transformer.loss_kw(net + held_back, around.kvar)
    net += lost
    # What the plan held back for the export limit, and what the true flows would put above it.
    curtailed = np.minimum(np.maximum(held_back, -net - around.export_limit_kw), pv)

    net = _mean_of(net + curtailed, substeps)
    return Replayed(
        charge_kw=_mean_of(charge, substeps),
        discharge_kw=_mean_of(discharge, substeps),
        curtailed_kw=_mean_of(curtailed, substeps),
        import_kw=np.maximum(net, 0.0),
        export_kw=np.maximum(-net, 0.0),
        stored_kwh=stored,
        energy=EnergyAccount(
            load_kwh=h * float(load.sum()),
            pv_kwh=h * float(pv.sum()),
            curtailed_kwh=h * float(curtailed.sum()),
            import_kwh=series.step_h * float(np.maximum(net, 0.0).sum()),
            export_kwh=series.step_h * float(np.maximum(-net, 0.0).sum()),
            charged_kwh=h * float(charge.sum()),
            discharged_kwh=h * float(discharge.sum()),
            module_loss_kwh=h * float(into_modules.sum() + outof_modules.sum()),
            rack_loss_kwh=h * float(into_racks.sum() + outof_racks.sum()),
            standing_loss_kwh=standing_kwh,
            auxiliary_kwh=h * float((around.auxiliary_kw + cooling).sum()),
            transformer_loss_kwh=h * float(lost.sum()),
            out_of_store_kwh=h * float(outof.sum()),
            change_in_store_kwh=float(stored[-1]) - schedule.start_kwh,
            drift_kwh=float(np.max(np.abs(stored - schedule.stored_kwh))),
            clipped_kwh=_clipped_kwh(schedule, stored, keep),
        ),
    )


def _repeated(flow_kw: FloatArray, times: int) -> FloatArray:
    """Return a flow in each of so many equal parts of its steps; as a rule there is one, and copies would take time."""
    return flow_kw if times == 1 else np.repeat(flow_kw, times)


def _mean_of(flow_kw: FloatArray, times: int) -> FloatArray:
    """Return the mean of each so many parts in a row."""
    return flow_kw if times == 1 else np.asarray(flow_kw.reshape(-1, times).mean(axis=1))


def _clipped_kwh(schedule: Schedule, stored_kwh: FloatArray, keep_frac: float) -> float:
    """Return what the plan moves into or out of the store in its steps and the plant did not."""
    planned = schedule.stored_kwh - keep_frac * schedule.stored_before_kwh
    moved = stored_kwh - keep_frac * np.concatenate(([schedule.start_kwh], stored_kwh[:-1]))
    done = np.maximum(np.sign(planned) * moved, 0.0)
    missed = np.maximum(np.abs(planned) - done, 0.0)
    return float(missed[missed > NOTICEABLE_KWH].sum())


def _steered(plant: Plant, series: SiteSeries, schedule: Schedule, around: Surroundings, substeps: int) -> FloatArray:
    """Return the AC power of each part of each step, charge positive [kW]."""
    part_h = series.step_h / substeps
    keep = plant.keep_frac(part_h)
    parts_left = range(substeps, 0, -1)
    chords = Curve.charging(plant.charge_segments)
    planned_net = series.load_kw + around.auxiliary_kw - series.pv_kw + schedule.curtailed_kw
    planned_net += around.transformer.loss_kw(schedule.import_kw - schedule.export_kw, around.kvar)
    may_export = np.where(schedule.export_kw > STANDSTILL_KW, around.export_limit_kw, 0.0)
    course = Course(
        wanted_kwh=schedule.stored_kwh,
        planned_kw=schedule.charge_kw - schedule.discharge_kw,
        planned_draw_kw=schedule.charge_kw + chords.cooling_kw(schedule.charge_kw),
        standing_kw=planned_net,
        import_cap_kw=np.maximum(around.import_target_kw, schedule.import_kw),
        least_net_kw=-np.maximum(may_export, schedule.export_kw),
        most_charge_kw=around.charge_limit_kw,
        most_discharge_kw=around.discharge_limit_kw,
    )
    return steered(
        Course(*(np.ascontiguousarray(flow, dtype=np.float64) for flow in course)),
        _known(plant),
        float(schedule.start_kwh),
        part_h,
        keep,
        np.array([keep**parts for parts in parts_left]),
        np.array([part_h * sum(keep**k for k in range(parts)) for parts in parts_left]),
    )


def _known(plant: Plant) -> KnownPlant:
    """Return the plant as the controller knows it."""
    return KnownPlant(
        charging=Terminals.of(plant, charging=True),
        discharging=Terminals.of(plant, charging=False),
        full=_end(plant.ceiling_kwh, plant.into_limit_kw, plant.charge_taper),
        empty=_end(plant.floor_kwh, plant.outof_limit_kw, plant.discharge_taper),
        least_kw=float(max(plant.converter.minimum_load_frac * plant.converter.rating_kva, STANDSTILL_KW)),
        deadband_kwh=float(DEADBAND_FRAC * plant.usable_kwh),
    )


def _end(at_kwh: float, limit_kw: float, taper: EndTaper | None) -> End:
    # Without a taper all of the limit is left, wherever it would begin.
    from_kwh, left_frac = (at_kwh - 1.0, 1.0) if taper is None else taper
    return End(at_kwh=float(at_kwh), limit_kw=float(limit_kw), from_kwh=float(from_kwh), left_frac=float(left_frac))
