"""From a scenario to everything a study needs, checked."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing import FadeState, law_of, rest
from crestfall.dispatch import Problem, Schedule, Taper
from crestfall.errors import KeyedError
from crestfall.plant import (
    MILD_C,
    NO_TRANSFORMER,
    Option,
    Plant,
    TransformerLosses,
    active_limit_kw,
    backup_floor_kwh,
    build_plant,
    reactive_to_hold,
)
from crestfall.scenario import Scenario
from crestfall.scenario.scenario_file import OptionChoice
from crestfall.series import SiteSeries
from crestfall.study._availability import forced_outages, planned_outages
from crestfall.study._ceilings import check_first_ceilings
from crestfall.study._clauses import clauses_of
from crestfall.study._life_terms import check_life
from crestfall.study._rolling import Foreknown, check_horizon, policy_in_words
from crestfall.study._shared import Shared
from crestfall.tariff import Rates, Readings

FloatArray = NDArray[np.float64]
LONGEST_LIFE_YEARS = 40
HOURS_A_YEAR = 8760  # of the budgets; a leap year has a day more of each


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """A scenario with its data read, its tariffs laid out and its plant built.

    What follows from them is worked out once, so its arrays are for reading only.

    Parameters
    ----------
    scenario : Scenario
        What was asked.
    series : SiteSeries
        Load, PV and temperature.
    rates : Rates
        The tariff in force on the same steps.
    choices : tuple of Rates
        Other tariffs that the site may change to.
    plant : Plant
        The option's plant, as far as it is in service.
    planned_outage, forced_outage : ndarray of bool, shape (n_steps,)
        Steps in which the battery is out of service, as the schedule knows in advance, and as it does not.
    health_frac : float, default=1.0
        State of health of the racks that the plant is made of.
    last_year : Readings or None
        What the meters showed in the year before, for ratchets; None: as this year without the battery.
    known : Foreknown
        What the rolling policy is given beside the data: a history, and forecasts from files.
    shared : Shared
        What is kept for other cases of the same process; no part of the study.
    like : Schedule or None
        Of a year much like this one, from which the optimiser sets out.
    """

    scenario: Scenario
    series: SiteSeries
    rates: Rates
    choices: tuple[Rates, ...]
    plant: Plant
    planned_outage: NDArray[np.bool_]
    forced_outage: NDArray[np.bool_]
    health_frac: float = 1.0
    last_year: Readings | None = None
    known: Foreknown = field(default_factory=Foreknown)
    shared: Shared = field(default_factory=Shared, repr=False, compare=False)
    like: Schedule | None = field(default=None, repr=False, compare=False)

    @property
    def policy_words(self) -> str:
        """Which policy makes the headline and, of rolling plans, what they are made from."""
        return policy_in_words(self.scenario, self.known, self.series.step_h)

    @property
    def contracts(self) -> tuple[Rates, ...]:
        """The tariff in force and the others."""
        return (self.rates, *self.choices)

    @cached_property
    def transformer(self) -> TransformerLosses:
        """The transformer between meter and site; lossless where there is none."""
        ask = self.scenario.ask.site.transformer
        return NO_TRANSFORMER if ask is None else TransformerLosses(**ask.model_dump())

    @cached_property
    def load_kw(self) -> FloatArray:
        """Consumption of the site with the transformer's losses as they are without the battery [kW]."""
        series = self.series
        return np.asarray(series.load_kw + self.transformer.loss_kw(series.load_kw - series.pv_kw, series.kvar))

    @cached_property
    def import_limit_kw(self) -> FloatArray:
        """Limit of import in each step, `inf` for none [kW]."""
        site = self.scenario.ask.site
        return self._within_kva(site.import_limit_kw, site.import_limit_kva)

    def _within_kva(self, most_kw: float | None, most_kva: float | None) -> FloatArray:
        """Return the active power in each step that a limit in kW and one in kVA leave, `inf` for none."""
        n = self.series.n_steps
        limits = np.full(n, np.inf if most_kw is None else most_kw)
        if most_kva is not None:
            kvar = np.zeros(n) if self.kvar is None else self.kvar
            limits = np.minimum(limits, active_limit_kw(np.full(n, most_kva), kvar))
        return limits

    @cached_property
    def auxiliary_kw(self) -> FloatArray:
        """Auxiliaries of the plant in each step, but for what losses add to cooling [kW]."""
        return self.plant.auxiliary_kw(self.series.temperature_c, self.series.n_steps)

    @cached_property
    def floor_kwh(self) -> float:
        """Lower end of the store for the schedule: that of the usable window, or above it the backup reserve [kWh]."""
        backup = self.scenario.ask.backup
        if backup is None or not self.plant.option.is_battery:
            return self.plant.floor_kwh
        return backup_floor_kwh(
            self.plant,
            backup.critical_load_kw,
            backup.hours,
            auxiliary_kw=float(self.auxiliary_kw.max()),
            # Of what these racks hold, for they may have faded already.
            end_of_life_health_frac=min(1.0, self.scenario.catalogue.rack.end_of_life_health_frac / self.health_frac),
            year_of_health=self._year_of_health,
        )

    def _year_of_health(self, health_frac: float) -> int | None:
        """Return the year in which racks that are kept full fall below a health by standing alone; None if none."""
        rack = self.scenario.catalogue.rack
        if rack.life is None:
            return None
        law, state = law_of(rack.life), FadeState()
        for year in range(1, LONGEST_LIFE_YEARS + 1):
            state = law.aged(state, rest(1.0, soc_frac=rack.highest_soc_frac, cell_c=MILD_C))
            if state.health_frac < health_frac:
                return year
        return None

    @cached_property
    def supplied_kvar(self) -> FloatArray:
        """Reactive power that the modules supply in each step, as far as their rating reaches [kvar]."""
        ask, n = self.scenario.ask.reactive_support, self.series.n_steps
        if ask is None:
            return np.zeros(n)
        if self.series.promised_kvar is not None:
            wanted = self.series.promised_kvar
        elif isinstance(ask.kvar, float):
            wanted = np.full(n, ask.kvar)
        else:
            kvar = np.zeros(n) if self.series.kvar is None else self.series.kvar
            least_import_kw = np.maximum(self.load_kw - self.series.pv_kw - self.plant.rating_kva, 0.0)
            wanted = reactive_to_hold(ask.power_factor_frac or 1.0, kvar, least_import_kw)
        return np.asarray(np.minimum(wanted, self._rating_kva))

    @cached_property
    def kvar(self) -> FloatArray | None:
        """Reactive power at the meter with the battery; None where that of the site is unknown [kvar]."""
        return None if self.series.kvar is None else self.series.kvar - self.supplied_kvar

    @cached_property
    def _rating_kva(self) -> FloatArray:
        """Apparent power that the modules may give in each step, at its ambient temperature [kVA]."""
        return self.plant.rating_kva * self.plant.available_frac(self.series.temperature_c, self.series.n_steps)

    @cached_property
    def power_limit_kw(self) -> FloatArray:
        """AC power that the modules may give or take in each step beside the reactive power, by plan [kW]."""
        limits = active_limit_kw(self._rating_kva, self.supplied_kvar)
        return np.where(self.planned_outage, 0.0, limits)

    def export_limit_kw(self, rates: Rates) -> FloatArray:
        """Return the limit of export by the connection and a tariff in each step, `inf` for none [kW]."""
        site = self.scenario.ask.site
        limits = self._within_kva(site.export_limit_kw, site.export_limit_kva)
        for sheet in rates.sheets:
            if sheet.tariff.export.limit_kw is not None:
                limits = np.where(sheet.layout.valid, np.minimum(limits, sheet.tariff.export.limit_kw), limits)
        return limits

    def readings(self, *, import_kw: FloatArray, export_kw: FloatArray) -> Readings:
        """Return what the meters show for flows at the point of connection with the battery."""
        return Readings(import_kw=import_kw, export_kw=export_kw, kvar=self.kvar, surplus_kw=self.surplus_kw)

    @cached_property
    def surplus_kw(self) -> FloatArray:
        """PV beyond the load in each step [kW]."""
        return np.maximum(self.series.pv_kw - self.load_kw, 0.0)

    def curtailable_kw(self, rates: Rates) -> FloatArray:
        """Return the PV that must be held back without a battery, for the export limit only, never for its price."""
        return np.maximum(self.surplus_kw - self.export_limit_kw(rates), 0.0)

    def without_battery(self, rates: Rates) -> Readings:
        """Return what the meters show without the battery."""
        net_kw = self.load_kw - self.series.pv_kw + self.curtailable_kw(rates)
        return Readings(
            import_kw=np.maximum(net_kw, 0.0),
            export_kw=np.maximum(-net_kw, 0.0),
            kvar=self.series.kvar,
            surplus_kw=self.surplus_kw,
        )


def prepare(scenario: Scenario, *, shared: Shared | None = None) -> Inputs:
    """
    Read the data, lay out the tariff and build the plant of a scenario, without solving anything.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.
    shared : Shared, optional
        What other cases of the process have read and laid out already.

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
    shared = Shared() if shared is None else shared
    try:
        option = Option(scenario.ask.option.racks, scenario.ask.option.modules)
        available = scenario.ask.availability
        plant = build_plant(scenario.catalogue, option, modules_out=available.modules_out)
        series = shared.series(scenario)
        rates = shared.rates(scenario.contract, series.start, series.step_h)
        choices = tuple(shared.rates((sheet,), series.start, series.step_h) for sheet in scenario.choices)
        if series.kvar is None and any(one.needs_kvar for one in (rates, *choices)):
            raise KeyedError(
                "scenario",
                ("site",),
                found="neither reactive nor power_factor_frac",
                expected="one of them, since the tariff bills kVA or reactive power",
                remedy="give the power factor of the load, for example power_factor_frac: 0.92",
            )
        inputs = Inputs(
            scenario=scenario,
            series=series,
            rates=rates,
            choices=choices,
            plant=plant,
            planned_outage=planned_outages(available, series.start, series.step_h),
            forced_outage=forced_outages(available.forced, series.n_steps, series.step_h),
            known=Foreknown.read(scenario, series),
            shared=shared,
        )
        check_horizon(scenario.ask.rolling, step_h=series.step_h, n_steps=series.n_steps)
        if option.is_battery:
            check_first_ceilings(scenario, series, lambda: dispatch_problem(inputs))
        _ = inputs.floor_kwh  # a backup reserve that does not fit is found before anything is solved
        check_life(scenario, plant, series)
    except KeyedError as error:
        raise scenario.located(error) from None
    return inputs


def read_files(scenario: Scenario, *, shared: Shared) -> None:
    """
    Read every file that a scenario names, whatever its option is.

    Parameters
    ----------
    scenario : Scenario
        The validated scenario.
    shared : Shared
        What has been read already.

    Raises
    ------
    InputError
        If a file is missing or damaged, or does not fit the others.
    """
    try:
        series = shared.series(scenario)
        shared.rates(scenario.contract, series.start, series.step_h)
        for sheet in scenario.choices:
            shared.rates((sheet,), series.start, series.step_h)
        Foreknown.read(scenario, series)
    except KeyedError as error:
        raise scenario.located(error) from None


def with_option(inputs: Inputs, option: Option) -> Inputs:
    """
    Return the same site with another option.

    Parameters
    ----------
    inputs : Inputs
        The site.
    option : Option
        Racks and modules.

    Returns
    -------
    Inputs
        The same data and tariffs, another plant.

    Raises
    ------
    KeyedError
        If the catalogue forbids the option, or what the scenario asks of it does not fit.
    """
    choice = OptionChoice(racks=option.racks, modules=option.modules)
    scenario = replace(inputs.scenario, ask=inputs.scenario.ask.model_copy(update={"option": choice}))
    plant = build_plant(scenario.catalogue, option, modules_out=scenario.ask.availability.modules_out)
    changed = replace(inputs, scenario=scenario, plant=plant)
    _ = changed.floor_kwh
    check_life(scenario, plant, inputs.series)
    return changed


def dispatch_problem(inputs: Inputs, rates: Rates | None = None) -> Problem:
    """
    Return the dispatch problem of a study year: the store ends as full as it began, and may choose how full.

    Parameters
    ----------
    inputs : Inputs
        What the scenario came to.
    rates : Rates, optional
        The tariff; left out: the one in force.

    Returns
    -------
    Problem
        Limits, prices, peaks and the rows of the bill.
    """
    rates = inputs.rates if rates is None else rates
    series, plant, ask = inputs.series, inputs.plant, inputs.scenario.ask.dispatch
    before = inputs.without_battery(rates)

    def each(value: float) -> FloatArray:
        return np.full(series.n_steps, value)

    clauses = clauses_of(
        rates,
        before,
        last_year=inputs.last_year,
        most_import_kw=np.minimum(
            inputs.load_kw + inputs.auxiliary_kw + plant.rating_kva * (1 + plant.bank.cooling_frac),
            inputs.import_limit_kw,
        ),
        least_energy_kwh=plant.ceiling_kwh - plant.floor_kwh,
        kvar=inputs.kvar,
    )
    return Problem(
        step_h=series.step_h,
        load_kw=inputs.load_kw,
        auxiliary_kw=inputs.auxiliary_kw,
        pv_kw=series.pv_kw,
        # PV is held back where the export limit demands it, never for its price: inverters do so today.
        curtailable_kw=inputs.curtailable_kw(rates),
        buy_per_kwh=clauses.buy_per_kwh,
        sell_per_kwh=clauses.sell_per_kwh,
        import_limit_kw=inputs.import_limit_kw,
        export_limit_kw=plant_export_limit_kw(inputs, rates),
        charge_limit_kw=charge_limit_kw(inputs, rates),
        discharge_limit_kw=inputs.power_limit_kw,
        into_limit_kw=each(plant.into_limit_kw),
        outof_limit_kw=each(plant.outof_limit_kw),
        charge_frac=plant.charge_frac,
        discharge_frac=plant.discharge_frac,
        charge_segments=plant.charge_segments,
        discharge_segments=plant.discharge_segments,
        charge_taper=_charge_taper(plant),
        discharge_taper=_discharge_taper(plant),
        keep_frac=plant.keep_frac(series.step_h),
        floor_kwh=each(inputs.floor_kwh),
        ceiling_kwh=each(plant.ceiling_kwh),
        wear_per_kwh=ask.wear_per_kwh,
        most_out_kwh=_budget_kwh(ask.most_cycles_per_year, plant.nominal_kwh, series),
        most_import_kwh=_budget_kwh(ask.most_import_kwh_per_year, 1.0, series),
        peaks=tuple(clauses.writer.peaks),
        sums=tuple(clauses.writer.sums),
        settlement=clauses.writer.settlement(),
        fixed_cost=clauses.fixed_cost,
    )


def plant_export_limit_kw(inputs: Inputs, rates: Rates) -> FloatArray:
    """
    Return the limit of export; where energy of the battery is not paid or not admitted, it stays in the site.

    Parameters
    ----------
    inputs : Inputs
        Plant and site.
    rates : Rates
        The tariff.

    Returns
    -------
    ndarray of shape (n_steps,)
        Limit of the export, `inf` for none [kW].
    """
    limits = inputs.export_limit_kw(rates)
    for sheet in rates.sheets:
        if sheet.tariff.export.battery_exports != "paid":
            limits = np.where(sheet.layout.valid, np.minimum(limits, inputs.surplus_kw), limits)
    return limits


def charge_limit_kw(inputs: Inputs, rates: Rates) -> FloatArray:
    """
    Return the converters' limit, or the PV that the tariff admits as the source of a charge, but for upkeep.

    Parameters
    ----------
    inputs : Inputs
        Plant and site.
    rates : Rates
        The tariff.

    Returns
    -------
    ndarray of shape (n_steps,)
        Limit of the charge [kW].
    """
    series, plant = inputs.series, inputs.plant
    limits = inputs.power_limit_kw
    # What an empty store loses by standing is made good from anywhere, lest the racks fall out of their window.
    upkeep_kw = inputs.floor_kwh * (1 - plant.keep_frac(series.step_h)) / (plant.charge_frac * series.step_h)
    sources = {"pv": series.pv_kw, "pv_surplus": inputs.surplus_kw}
    for sheet in rates.sheets:
        source = sources.get(sheet.tariff.export.battery_charges_from)
        if source is not None:
            limits = np.where(sheet.layout.valid, np.clip(source, upkeep_kw, limits), limits)
    return limits


def _budget_kwh(per_year: float | None, kwh: float, series: SiteSeries) -> float | None:
    """Return a yearly budget for the time of the data, which may be less or more than a year [kWh]."""
    return None if per_year is None else per_year * kwh * series.n_steps * series.step_h / HOURS_A_YEAR


def _charge_taper(plant: Plant) -> Taper | None:
    """Return the racks' limit towards full, on the energy at the end of a step: the stricter end."""
    taper = plant.charge_taper
    if taper is None or not plant.option.is_battery:
        return None
    slope = plant.into_limit_kw * (1 - taper.at_end_frac) / (plant.ceiling_kwh - taper.from_kwh)
    return Taper(slope, plant.into_limit_kw + slope * taper.from_kwh)


def _discharge_taper(plant: Plant) -> Taper | None:
    """Return the racks' limit towards empty, on the energy at the end of a step: the stricter end."""
    taper = plant.discharge_taper
    if taper is None or not plant.option.is_battery:
        return None
    slope = plant.outof_limit_kw * (1 - taper.at_end_frac) / (taper.from_kwh - plant.floor_kwh)
    return Taper(-slope, plant.outof_limit_kw * taper.at_end_frac - slope * plant.floor_kwh)
