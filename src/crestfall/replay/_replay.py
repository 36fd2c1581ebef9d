"""Step a schedule through the plant and account for every kWh, knowing nothing of the optimiser."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import Schedule
from crestfall.plant import Plant
from crestfall.series import SiteSeries


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyAccount:
    """Energy of a whole year by where it went; all in kWh.

    Parameters
    ----------
    load_kwh, pv_kwh, curtailed_kwh, import_kwh, export_kwh : float
        At the site and its point of connection.
    charged_kwh, discharged_kwh : float
        At the converters' AC terminals.
    module_loss_kwh, rack_loss_kwh, standing_loss_kwh, auxiliary_kwh : float
        Losses by cause, each summed from its own curve: power modules, racks, self-discharge, auxiliaries.
    out_of_store_kwh : float
        Energy taken out of the racks, DC.
    change_in_store_kwh : float
        Stored energy at the end less that at the start, as replayed.
    drift_kwh : float
        Largest distance between the replayed and the planned store at any step.
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
    out_of_store_kwh: float
    change_in_store_kwh: float
    drift_kwh: float

    @property
    def residual_kwh(self) -> float:
        """Energy in less energy out, losses and change in store; zero but for rounding."""
        energy_in = self.import_kwh + self.pv_kwh - self.curtailed_kwh
        losses = self.module_loss_kwh + self.rack_loss_kwh + self.standing_loss_kwh + self.auxiliary_kwh
        return energy_in - self.export_kwh - self.load_kwh - losses - self.change_in_store_kwh

    @property
    def round_trip_frac(self) -> float | None:
        """Discharged over charged AC energy, the change in store valued at nothing; None without any charge."""
        return self.discharged_kwh / self.charged_kwh if self.charged_kwh > 0 else None

    @property
    def round_trip_with_auxiliaries_frac(self) -> float | None:
        """The same with the auxiliaries' energy counted as charged."""
        return self.discharged_kwh / (self.charged_kwh + self.auxiliary_kwh) if self.charged_kwh > 0 else None


def replay(plant: Plant, series: SiteSeries, schedule: Schedule) -> EnergyAccount:
    """
    Step a schedule's charge and discharge through the plant.

    Parameters
    ----------
    plant : Plant
        Efficiencies, standing losses and auxiliaries.
    series : SiteSeries
        Load and PV on the same steps.
    schedule : Schedule
        Flows of every step.

    Returns
    -------
    EnergyAccount
        Energies by cause, and how far the replayed store leaves the planned one.
    """
    h = series.step_h
    charge, discharge = schedule.charge_kw, schedule.discharge_kw
    dc_in, dc_out = charge * plant.module_charge_frac, discharge / plant.module_discharge_frac
    into, outof = dc_in * plant.rack_charge_frac, dc_out / plant.rack_discharge_frac
    stored, standing_kwh = _stepped(plant, schedule.start_kwh, h * (into - outof), h)
    return EnergyAccount(
        load_kwh=h * float(series.load_kw.sum()),
        pv_kwh=h * float(series.pv_kw.sum()),
        curtailed_kwh=h * float(schedule.curtailed_kw.sum()),
        import_kwh=h * float(schedule.import_kw.sum()),
        export_kwh=h * float(schedule.export_kw.sum()),
        charged_kwh=h * float(charge.sum()),
        discharged_kwh=h * float(discharge.sum()),
        module_loss_kwh=h * float((charge * (1 - plant.module_charge_frac)).sum())
        + h * float((dc_out * (1 - plant.module_discharge_frac)).sum()),
        rack_loss_kwh=h * float((dc_in * (1 - plant.rack_charge_frac)).sum())
        + h * float((outof * (1 - plant.rack_discharge_frac)).sum()),
        standing_loss_kwh=standing_kwh,
        auxiliary_kwh=h * plant.auxiliary_kw * series.n_steps,
        out_of_store_kwh=h * float(outof.sum()),
        change_in_store_kwh=float(stored[-1]) - schedule.start_kwh,
        drift_kwh=float(np.max(np.abs(stored - schedule.stored_kwh))),
    )


def _stepped(
    plant: Plant, start_kwh: float, change_kwh: NDArray[np.float64], step_h: float
) -> tuple[NDArray[np.float64], float]:
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
