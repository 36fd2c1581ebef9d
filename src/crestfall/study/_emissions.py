"""Greenhouse gases of the grid energy that a site takes, before and after, by each factor that is given."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.replay import Replayed
from crestfall.study._inputs import Inputs
from crestfall.tariff import Readings

FloatArray = NDArray[np.float64]
FactorName = Literal["average", "marginal"]
EMISSION_COLUMNS = ("factor", "month", "before_kg", "after_kg", "charged_kg", "discharged_kg")


@dataclass(frozen=True, slots=True, kw_only=True)
class Emissions:
    """Emissions of a year's grid energy by one kind of factor; arrays have the shape (n_steps,).

    What making and recycling the battery emits is in none of them.

    Parameters
    ----------
    factor : {"average", "marginal"}
        Of a kWh of the mix, or of the kWh that a change makes.
    export_credited : bool
        Whether an exported kWh took away what an imported one added.
    start : DatetimeIndex
        Start of each step in the zone of the site.
    before, after : ndarray
        Of the energy at the point of connection without the battery and with it; charging is in it [kg CO2e].
    charged, discharged : ndarray
        What the energy charged would stand for if all of it came from the grid, and the energy discharged if all of it
        took the place of the grid's [kg CO2e].
    """

    factor: FactorName
    export_credited: bool
    start: pd.DatetimeIndex
    before: FloatArray
    after: FloatArray
    charged: FloatArray
    discharged: FloatArray

    @property
    def change_kg(self) -> float:
        """After less before; below zero where the battery avoids emissions [kg CO2e]."""
        return float(self.after.sum() - self.before.sum())

    def by_month(self) -> pd.DataFrame:
        """Return sums by month, `EMISSION_COLUMNS`."""
        parts = {"before_kg": self.before, "after_kg": self.after}
        parts |= {"charged_kg": self.charged, "discharged_kg": self.discharged}
        month = self.start.strftime("%Y-%m")
        sums = pd.DataFrame(parts).groupby(np.asarray(month)).sum().rename_axis("month").reset_index()
        return sums.assign(factor=self.factor)[list(EMISSION_COLUMNS)]

    def summary(self) -> dict[str, float | bool]:
        """Return the sums of the year, ready for JSON."""
        return {
            "before_kg": float(self.before.sum()),
            "after_kg": float(self.after.sum()),
            "change_kg": self.change_kg,
            "charged_kg": float(self.charged.sum()),
            "discharged_kg": float(self.discharged.sum()),
            "export_credited": self.export_credited,
        }


def emissions_of(inputs: Inputs, before: Readings, after: Readings, replayed: Replayed) -> tuple[Emissions, ...]:
    """
    Return the emissions of a year by each factor that the scenario gives.

    Parameters
    ----------
    inputs : Inputs
        Factors and steps.
    before, after : Readings
        What the meters show without the battery and with it.
    replayed : Replayed
        What the battery did.

    Returns
    -------
    tuple of Emissions
        The average factor first; empty where none is given.
    """
    ask, series = inputs.scenario.ask.emissions, inputs.series
    if ask is None:
        return ()
    factors: list[tuple[FactorName, FloatArray | None]] = [
        ("average", series.average_kg_per_kwh),
        ("marginal", series.marginal_kg_per_kwh),
    ]

    def counted_kw(readings: Readings) -> FloatArray:
        return readings.import_kw - readings.export_kw if ask.export_credited else readings.import_kw

    return tuple(
        Emissions(
            factor=name,
            export_credited=ask.export_credited,
            start=series.start,
            before=series.step_h * factor * counted_kw(before),
            after=series.step_h * factor * counted_kw(after),
            charged=series.step_h * factor * replayed.charge_kw,
            discharged=series.step_h * factor * replayed.discharge_kw,
        )
        for name, factor in factors
        if factor is not None
    )
