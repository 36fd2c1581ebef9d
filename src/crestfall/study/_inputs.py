"""From a scenario to everything a study needs, checked."""

from dataclasses import dataclass

import numpy as np

from crestfall.dispatch import Peak, Problem
from crestfall.errors import KeyedError
from crestfall.plant import Option, Plant, build_plant
from crestfall.scenario import Scenario
from crestfall.series import SiteSeries, read_site_series
from crestfall.tariff import Rates, rates_on


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """A scenario with its data read, its tariff laid out and its plant built.

    Parameters
    ----------
    scenario : Scenario
        What was asked.
    series : SiteSeries
        Load, PV and temperature.
    rates : Rates
        The tariff on the same steps.
    plant : Plant
        The option's plant.
    """

    scenario: Scenario
    series: SiteSeries
    rates: Rates
    plant: Plant

    @property
    def import_limit_kw(self) -> float:
        """Limit of import, `inf` for none [kW]."""
        limit = self.scenario.ask.site.import_limit_kw
        return np.inf if limit is None else limit

    @property
    def export_limit_kw(self) -> float:
        """Limit of export, `inf` for none [kW]."""
        limit = self.scenario.ask.site.export_limit_kw
        return np.inf if limit is None else limit


def prepare(scenario: Scenario) -> Inputs:
    """
    Read the data, lay out the tariff and build the plant of a scenario, without solving anything.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.

    Returns
    -------
    Inputs
        What a study needs.

    Raises
    ------
    SeriesError
        If interval data are damaged.
    ScenarioError
        If option or tariff do not fit the catalogue or the data.
    """
    try:
        plant = build_plant(scenario.catalogue, Option(scenario.ask.option.racks, scenario.ask.option.modules))
        series = read_site_series(scenario)
        rates = rates_on(scenario.tariff, series.start, step_h=series.step_h)
    except KeyedError as error:
        raise scenario.located(error) from None
    return Inputs(scenario=scenario, series=series, rates=rates, plant=plant)


def dispatch_problem(inputs: Inputs) -> Problem:
    """
    Return the dispatch problem of a study year: the store ends as full as it began, and may choose how full.

    Parameters
    ----------
    inputs : Inputs
        What the scenario came to.

    Returns
    -------
    Problem
        Limits, prices and peaks of each step.
    """
    series, rates, plant = inputs.series, inputs.rates, inputs.plant

    def each(value: float) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
        return np.full(series.n_steps, value)

    return Problem(
        step_h=series.step_h,
        load_kw=series.load_kw,
        auxiliary_kw=each(plant.auxiliary_kw),
        pv_kw=series.pv_kw,
        # PV is held back where the export limit demands it, never for its price: inverters do so today.
        curtailable_kw=np.maximum(series.pv_kw - series.load_kw - inputs.export_limit_kw, 0.0),
        buy_per_kwh=rates.buy_per_kwh,
        sell_per_kwh=rates.sell_per_kwh,
        import_limit_kw=each(inputs.import_limit_kw),
        export_limit_kw=each(inputs.export_limit_kw),
        charge_limit_kw=each(plant.rating_kva),
        discharge_limit_kw=each(plant.rating_kva),
        into_limit_kw=each(plant.into_limit_kw),
        outof_limit_kw=each(plant.outof_limit_kw),
        charge_frac=plant.charge_frac,
        discharge_frac=plant.discharge_frac,
        keep_frac=plant.keep_frac(series.step_h),
        floor_kwh=each(plant.floor_kwh),
        ceiling_kwh=each(plant.ceiling_kwh),
        wear_per_kwh=inputs.scenario.ask.dispatch.wear_per_kwh,
        peaks=tuple(_peaks(rates)),
        fixed_cost=rates.fixed_cost,
    )


def _peaks(rates: Rates) -> list[Peak]:
    """Return one billed peak for each demand charge and each period in which it is measured."""
    peaks = []
    for charge in rates.demand:
        for number, period in enumerate(rates.period_names):
            steps = np.flatnonzero(charge.measured & (rates.period == number))
            if steps.size:
                peaks.append(Peak(name=f"{charge.name}, {period}", rate_per_kw=charge.rate_per_kw, steps=steps))
    return peaks
