"""What a comparison knows of one option: its first year, its life, and the same in years that might have come."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing import worn_plant
from crestfall.dispatch import Schedule
from crestfall.errors import InfeasibleError, InputError, KeyedError, dotted
from crestfall.finance import CapitalCost, capital_breakdown, simple_payback_years
from crestfall.plant import Option
from crestfall.scenario import CatalogueFile, Scenario
from crestfall.scenario.scenario_file import OptionChoice
from crestfall.study._draws import days_drawn_anew
from crestfall.study._inputs import Inputs, prepare, with_option
from crestfall.study._life import life_of
from crestfall.study._life_result import Life
from crestfall.study._money import line_savings
from crestfall.study._neighbours import AtMost, at_most
from crestfall.study._result import Before, PolicyYear
from crestfall.study._run import check_connection, headline_year, optimum_to_set_out_from, reference_of
from crestfall.study._shared import Shared

WORN_FRAC = 0.1  # of their energy that racks have lost in the trial of what fade costs
LineSavings = dict[str, float]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionFigures:
    """What a comparison knows of one option.

    Parameters
    ----------
    option : Option
        Racks and modules.
    refusal : str or None
        Why it cannot be had; None where it can, and all else is known.
    rating_kva, nominal_kwh, usable_kwh : float
        What it is when new.
    capital : CapitalCost or None
        What it costs.
    bill_without, bill_with : float
        Bills of the first year, under the best contract without the battery and with it.
    line_savings : dict of str to float
        What it saves on each line in the first year.
    contract : str
        Title of the contract that it is billed by in the first year.
    objective : float
        Running cost of the first year's plan, wear included.
    full_cycles : float
        Equivalent full cycles of the first year.
    peak_import_kw : float
        Highest import of the first year [kW].
    self_consumption_frac : float
        Share of the PV that is neither exported nor held back; NaN without PV.
    at_most : tuple of AtMost
        What one part more would save at the most, where the policy is the optimum.
    payback_years : float or None
        Of the life, or capital over the first year's saving where there is none.
    life : Life or None
        Every year, where the scenario asks for it.
    other_years : tuple of (dict of str to float) or None
        Savings by line in each other year of load; None where no schedule keeps the limits.
    other_peaks : tuple of float or None
        Highest import in each other year of load [kW]; None where no schedule keeps the limits.
    worn_savings : dict of str to float or None
        Savings by line of the first year with racks that have lost `WORN_FRAC`; None where there is no life.
    worn_peak_kw : float or None
        Highest import of that year [kW].
    """

    option: Option
    refusal: str | None = None
    rating_kva: float = 0.0
    nominal_kwh: float = 0.0
    usable_kwh: float = 0.0
    capital: CapitalCost | None = None
    bill_without: float = np.nan
    bill_with: float = np.nan
    line_savings: LineSavings = field(default_factory=dict)
    contract: str = ""
    objective: float = np.nan
    full_cycles: float = 0.0
    peak_import_kw: float = np.nan
    self_consumption_frac: float = np.nan
    at_most: tuple[AtMost, ...] = ()
    payback_years: float | None = None
    life: Life | None = None
    other_years: tuple[LineSavings | None, ...] = ()
    other_peaks: tuple[float | None, ...] = ()
    worn_savings: LineSavings | None = None
    worn_peak_kw: float | None = None

    @property
    def saving(self) -> float:
        """What it saves in the first year."""
        return self.bill_without - self.bill_with

    @property
    def highest_import_kw(self) -> float:
        """Highest import in any year of load [kW]; NaN where one of them has no schedule that keeps the limits."""
        return float(np.max([np.nan if one is None else one for one in (self.peak_import_kw, *self.other_peaks)]))

    @property
    def npv(self) -> float:
        """Net present value without debt; NaN where there is none."""
        if not self.option.is_battery:
            return 0.0
        npv = None if self.life is None else self.life.appraisal.without_debt.npv
        return np.nan if npv is None else npv


@dataclass(frozen=True, slots=True)
class OtherLoad:
    """A year of load that might have come instead.

    Parameters
    ----------
    name : str
        What it is.
    seed : int or None
        Start of the random numbers by which the days of the data are drawn anew.
    first_month : str or None
        First month of another year of the data, where they hold several.
    """

    name: str
    seed: int | None = None
    first_month: str | None = None


@dataclass(frozen=True, slots=True)
class OptionsJob:
    """Studies one option after the other at one site.

    Parameters
    ----------
    scenario : Scenario
        The site and what is asked of the battery; its option is left aside.
    others : tuple of OtherLoad
        Other years of load.
    """

    scenario: Scenario
    others: tuple[OtherLoad, ...] = ()

    def function(self) -> "_Site":
        """Return the function of an option."""
        return _Site(self.scenario, self.others)


class _Site:
    """A site with all data read; called with an option."""

    def __init__(self, scenario: Scenario, others: tuple[OtherLoad, ...]) -> None:
        shared = Shared()
        bare = without_option(scenario)
        self.inputs = prepare(bare, shared=shared)
        self.reference = reference_of(self.inputs)
        self.others = [(other, reference_of(other)) for other in (self._other(bare, one) for one in others)]

    def _other(self, scenario: Scenario, other: OtherLoad) -> Inputs:
        if other.seed is not None:
            return replace(self.inputs, series=days_drawn_anew(self.inputs.series, other.seed))
        site = scenario.ask.site.model_copy(update={"first_month": other.first_month})
        changed = replace(scenario, ask=scenario.ask.model_copy(update={"site": site}))
        return prepare(changed, shared=self.inputs.shared)

    def __call__(self, option: Option) -> OptionFigures:
        if not option.is_battery:
            return self._no_battery()
        try:
            return self._studied(replace(with_option(self.inputs, option), like=self._optimum))
        except KeyedError as error:
            return OptionFigures(option=option, refusal=refusal_of(error))
        except (InfeasibleError, InputError) as error:
            return OptionFigures(option=option, refusal=str(error).splitlines()[0])

    @cached_property
    def _optimum(self) -> Schedule | None:
        """That of the middle of the catalogue: no option depends on which others are compared, or come before it."""
        try:
            return optimum_to_set_out_from(with_option(self.inputs, middle_option(self.inputs.scenario.catalogue)))
        except KeyedError:
            return None

    def _no_battery(self) -> OptionFigures:
        return replace(
            figures_of(self.inputs, self.reference, is_compared=True),
            other_years=tuple({} for _ in self.others),
            other_peaks=tuple(float(reference.import_kw.max()) for _, reference in self.others),
        )

    def _studied(self, inputs: Inputs) -> OptionFigures:
        case = _first_year(inputs)
        found = figures_of(inputs, self.reference, case=case, is_compared=True)
        if not self.others:  # nothing is drawn
            return found
        inputs = replace(inputs, like=case.schedule)
        years = [(reference, self._in(other, inputs)) for other, reference in self.others]
        found = replace(
            found,
            other_years=tuple(None if one is None else line_savings(reference, one) for reference, one in years),
            other_peaks=tuple(None if one is None else _peak_kw(one) for _, one in years),
        )
        if found.life is None:
            return found
        worn = self._worn(inputs)
        return replace(found, worn_savings=line_savings(self.reference, worn), worn_peak_kw=_peak_kw(worn))

    def _in(self, other: Inputs, inputs: Inputs) -> PolicyYear | None:
        """Return an option's first year in another year of load; None where no schedule keeps the limits."""
        try:
            return headline_year(replace(with_option(other, inputs.plant.option), like=inputs.like))
        except InfeasibleError:
            return None

    def _worn(self, inputs: Inputs) -> PolicyYear:
        """Return the first year with worn racks."""
        health_frac = 1 - WORN_FRAC
        plant = worn_plant(inputs.plant, health_frac=health_frac)
        return headline_year(replace(inputs, plant=plant, health_frac=health_frac))


def figures_of(
    inputs: Inputs, reference: Before, *, is_compared: bool, case: PolicyYear | None = None
) -> OptionFigures:
    """
    Study an option: its first year and, where the scenario asks for it, its life.

    Parameters
    ----------
    inputs : Inputs
        The site with the option.
    reference : Before
        The site without a battery that savings are counted from.
    is_compared : bool
        Whether to find out what one part more would save at the most.
    case : PolicyYear, optional
        Its first year, if it is known already.

    Returns
    -------
    OptionFigures
        All but what depends on other years of load.

    Raises
    ------
    InputError
        If the years of life cannot be studied.
    InfeasibleError
        If no schedule keeps the limits.
    """
    plant, total = inputs.plant, reference.bill_total
    capital = capital_breakdown(plant, inputs.scenario.catalogue, inputs.scenario.ask.money)
    if not plant.option.is_battery:
        return OptionFigures(
            option=plant.option,
            capital=capital,
            bill_without=total,
            bill_with=total,
            peak_import_kw=float(reference.import_kw.max()),
            self_consumption_frac=_self_consumption(inputs, reference.export_kw, reference.curtailed_kw),
        )
    case = case or _first_year(inputs)
    life = None if inputs.scenario.ask.life is None else life_of(inputs, first=case)
    simple = simple_payback_years(capital.net, total - case.bill_total)
    return OptionFigures(
        option=plant.option,
        rating_kva=plant.rating_kva,
        nominal_kwh=plant.nominal_kwh,
        usable_kwh=plant.usable_kwh,
        capital=capital,
        bill_without=total,
        bill_with=case.bill_total,
        line_savings=line_savings(reference, case),
        contract=case.rates.title,
        objective=case.schedule.objective,
        full_cycles=case.energy.out_of_store_kwh / plant.nominal_kwh,
        peak_import_kw=_peak_kw(case),
        self_consumption_frac=_self_consumption(inputs, case.replayed.export_kw, case.replayed.curtailed_kw),
        at_most=at_most(inputs, case.rates, case.schedule) if is_compared and case.policy == "hindsight" else (),
        payback_years=simple if life is None else life.appraisal.without_debt.payback_years,
        life=life,
    )


def _first_year(inputs: Inputs) -> PolicyYear:
    check_connection(inputs)
    return headline_year(inputs)


# What is shown of an option in every table.
FIGURE_COLUMNS = (
    "rating_kva",
    "nominal_kwh",
    "usable_kwh",
    "capital",
    "saving",
    "npv",
    "irr_frac",
    "payback_years",
    "discounted_payback_years",
    "saving_per_capital",
    "bill_without",
    "bill_with",
    "peak_import_kw",
    "self_consumption_frac",
    "full_cycles",
    "health_end_frac",
    "last_year_in_use",
    "racks_bought",
    "warranty_breach_year",
)


def figures_row(one: OptionFigures) -> dict[str, float]:
    """
    Return the figures of an option as numbers.

    Parameters
    ----------
    one : OptionFigures
        The option.

    Returns
    -------
    dict of str to float
        `FIGURE_COLUMNS`; NaN where there is no such figure.
    """
    returns = None if one.life is None else one.life.appraisal.without_debt
    capital = 0.0 if one.capital is None else one.capital.net
    used = [] if one.life is None else [year for year in one.life.years if year.racks]
    values = {
        "rating_kva": one.rating_kva,
        "nominal_kwh": one.nominal_kwh,
        "usable_kwh": one.usable_kwh,
        "capital": capital,
        "saving": one.saving,
        "npv": one.npv,
        "irr_frac": np.nan if returns is None else single_rate(returns.irr_frac),
        "payback_years": one.payback_years,
        "discounted_payback_years": None if returns is None else returns.discounted_payback_years,
        "saving_per_capital": one.saving / capital if capital > 0 else np.nan,
        "bill_without": one.bill_without,
        "bill_with": one.bill_with,
        "peak_import_kw": one.peak_import_kw,
        "self_consumption_frac": one.self_consumption_frac,
        "full_cycles": one.full_cycles,
        "health_end_frac": used[-1].health_end_frac if used else np.nan,
        "last_year_in_use": None if one.life is None else one.life.last_year_in_use,
        "racks_bought": None if one.life is None else sum(year.racks_bought for year in one.life.years),
        "warranty_breach_year": None if one.life is None else one.life.year_of_breach,
    }
    return {name: np.nan if values[name] is None else float(values[name] or 0.0) for name in FIGURE_COLUMNS}


def single_rate(rates: tuple[float, ...]) -> float:
    """Return a rate of return, NaN where there is none or several, of which none says anything by itself."""
    return rates[0] if len(rates) == 1 else np.nan


def middle_option(catalogue: CatalogueFile) -> Option:
    """
    Return the option half way between the smallest and the largest of a catalogue.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules, of which it may break one that ties racks to modules.

    Returns
    -------
    Option
        Racks and modules.
    """
    rules = catalogue.rules
    return Option((rules.least_racks + rules.most_racks) // 2, (rules.least_modules + rules.most_modules) // 2)


def without_option(scenario: Scenario) -> Scenario:
    """
    Return a scenario whose option is no battery: what stands there decides nothing in a comparison.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    Scenario
        The same with 0 racks and 0 modules.
    """
    return replace(scenario, ask=scenario.ask.model_copy(update={"option": OptionChoice(racks=0, modules=0)}))


def _peak_kw(case: PolicyYear) -> float:
    return float(case.readings.import_kw.max())


def _self_consumption(inputs: Inputs, export_kw: FloatArray, curtailed_kw: FloatArray) -> float:
    pv = float(inputs.series.pv_kw.sum())
    return 1 - float(export_kw.sum() + curtailed_kw.sum()) / pv if pv > 0 else np.nan


def refusal_of(error: KeyedError) -> str:
    """Return in one line why an option cannot be had."""
    if error.key[:1] == ("option",):
        return f"it takes {error.expected}"
    return f"{dotted(error.key)}: found {error.found}, expected {error.expected}"
