"""What ``summary.json`` of a run, a comparison and a sweep holds, published as JSON Schemas.

The models describe what the summaries of results are made of; nothing else is in them, times least of all. A change to
a summary is a change here, and of the number in its ``schema`` where readers would misunderstand it.
"""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from crestfall.study._comparison import COMPARE_SCHEMA
from crestfall.study._emissions import FactorName
from crestfall.study._result import SUMMARY_SCHEMA, PolicyName
from crestfall.study._sweep_result import SWEEP_SCHEMA

SummaryKind = Literal["run-summary", "compare-summary", "sweep-summary"]
ByLine = dict[str, float]
Known = float | None


def _said(text: str, **limits: Any) -> Any:
    return Field(description=text, **limits)


class _Facts(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Summary(_Facts):
    crestfall: str = _said("version that wrote it")
    scenario_hash: str = _said("SHA-256 of all inputs and data files", pattern="^[0-9a-f]{64}$")


class OptionFacts(_Facts):
    """An option of the catalogue."""

    racks: int = _said("units of energy", ge=0)
    modules: int = _said("units of power", ge=0)


class HistogramFacts(_Facts):
    """A distribution."""

    edges: list[float] = _said("edges of the classes, one more than there are")
    weights: list[float] = _said("what lies in each class")


class CellFacts(_Facts):
    """What cells of new racks go through in the first year."""

    depth_cycles: HistogramFacts = _said("rainflow cycles by depth, a half counting 0.5")
    soc_h: HistogramFacts = _said("hours by state of charge")
    c_rate_h: HistogramFacts = _said("hours in motion by rate, negative while discharging [1/h]")
    cell_h: HistogramFacts = _said("hours by cell temperature [degrees C]")
    high_soc_frac: float = _said("state of charge that counts as high")
    high_soc_h: float = _said("hours at or above it")


class ForecastFacts(_Facts):
    """How far forecasts were from what came."""

    mape_frac: Known = _said("mean of the absolute error over what came, where that is not 0")
    mean_abs_kw: Known = _said("mean of the absolute error")
    bias_kw: Known = _said("mean of forecast less what came")
    peak_kw: Known = _said("highest of the forecast less highest of what came")


class CostlyFacts(_Facts):
    """A peak or a day that a rolling plan paid more for than hindsight."""

    start: str = _said("when it began, ISO 8601")
    hours: float = _said("how long it was")
    what: str = _said("charge and period, or energy")
    expected_kw: Known = _said("import without the battery as forecast")
    happened_kw: Known = _said("import without the battery as it came")
    import_kw: Known = _said("import with the battery")
    hindsight_kw: Known = _said("import with hindsight")
    cost: float = _said("against hindsight under the same contract")


class TrialFacts(_Facts):
    """The same year with one thing changed."""

    change: str = _said("what was changed")
    saves_more: float = _said("a year; below zero: less")
    more_kwh: Known = _said("usable energy that was added")


class UnforeseenFacts(_Facts):
    """What a rolling plan did not foresee."""

    plans: int = _said("how many were made")
    plans_failed: int = _said("how many found no schedule")
    load_forecast: ForecastFacts
    pv_forecast: ForecastFacts
    cost: float = _said("of not knowing the future, in the year")
    costliest: list[CostlyFacts]
    trials: list[TrialFacts]


class ReturnFacts(_Facts):
    """What is read off the cash of a life."""

    npv: Known = _said("net present value")
    irr_frac: list[float] = _said("every rate at which it is zero")
    mirr_frac: Known = _said("modified rate of return")
    payback_years: Known
    discounted_payback_years: Known
    profitability_index: Known


class BreachFacts(_Facts):
    """A term of a warranty that is broken."""

    racks_of_year: int = _said("year in which these racks began")
    term: str
    year: int = _said("of operation")
    margin: float = _said("below zero by how much")


class MarginFacts(_Facts):
    """What is left of a warranty's limits by year; null where there is no such limit."""

    racks_of_year: int
    racks: int
    cycles_margin: list[Known]
    cycles_total_margin: list[Known]
    throughput_total_margin_mwh: list[Known]
    mean_soc_margin_frac: list[Known]
    cold_margin_c: list[Known]
    heat_margin_c: list[Known]
    health_margin_frac: list[Known]


class WarrantyFacts(_Facts):
    """Warranties of all racks."""

    year_of_breach: int | None
    breaches: list[BreachFacts]
    margins: list[MarginFacts]
    cost_of_keeping: float


class WearFacts(_Facts):
    """A first year with new racks at one price of wear."""

    wear_per_kwh: float
    marginal_per_kwh: Known = _said("what one more kWh then costs under the fade law")
    full_cycles: float
    saving: float


class OfferFacts(_Facts):
    """A way to have the battery."""

    name: str
    buyer_npv: Known
    seller_npv: Known
    seller_margin_frac: Known


class LifeFacts(ReturnFacts):
    """The years of a battery's life; lists have an entry a year."""

    years: int
    last_year_in_use: int = _said("0 if it never runs")
    fade_basis: str = _said("what the fade law was fitted on")
    health_end_frac: list[Known]
    calendar_loss_frac: list[Known]
    cycle_loss_frac: list[Known]
    full_cycles: list[Known]
    saving: list[Known]
    saving_by_line: dict[str, list[float]]
    racks_bought: list[int]
    warranty: WarrantyFacts
    wear: list[WearFacts]
    capital: float
    grant: float
    with_debt: ReturnFacts | None
    least_dscr: Known = _said("lowest debt service cover ratio")
    levelised_cost_per_kwh: Known = _said("all costs over energy discharged, both discounted")
    saving_per_kwh: Known
    break_even_capital: Known = _said("capital at which the net present value is 0")
    offers: list[OfferFacts]


class EmissionFacts(_Facts):
    """Emissions of the year's grid energy by one kind of factor, CO2 equivalent."""

    before_kg: float = _said("without the battery")
    after_kg: float = _said("with it, charging counted")
    change_kg: float = _said("below zero where the battery avoids emissions")
    charged_kg: float = _said("if all that was charged came from the grid")
    discharged_kg: float = _said("if all that was discharged took the grid's place")
    export_credited: bool


class RunSummary(_Summary):
    """The summary.json of a run: the figures of one option on one site's year, and through its life."""

    format: Literal[SUMMARY_SCHEMA] = Field(alias="schema")  # type: ignore[valid-type]  # a constant here, a literal there
    site: str
    currency: str = _said("of all sums of money")
    first_step: str = _said("start of the first step, ISO 8601")
    last_step: str = _said("start of the last step, ISO 8601")
    steps: int
    step_h: float
    policy: PolicyName = _said("what made the headline's schedule; hindsight is a ceiling")
    option: OptionFacts
    rating_kva: float
    nominal_kwh: float = _said("DC")
    usable_kwh: float = _said("DC")
    tariff: str
    tariff_after: str
    bill_before: float = _said("of the year")
    bill_best_contract: float = _said("without a battery; savings count from it")
    saving_by_contract: float
    saving_by_group: ByLine
    bill_after: float
    saving: float = _said("of the battery in its first year, by the policy")
    saving_planned: float = _said("if all had gone as planned")
    saving_hindsight: float = _said("a ceiling")
    saving_rules: float
    saving_rolling: Known
    saving_by_line: dict[PolicyName, ByLine]
    share_of_hindsight: dict[PolicyName, Known]
    left_in_store: dict[PolicyName, float] = _said("worth of the energy left in store, on no bill")
    unforeseen: UnforeseenFacts | None
    capital_cost: float
    simple_payback_years: Known
    objective: float = _said("running cost of the schedule, wear included")
    lower_bound: float = _said("no schedule costs less")
    gap_frac: float
    status: Literal["optimal", "time limit", "rule"]
    repaired_steps: int
    solver: str = _said("how the optimum was found")
    saving_at_most_by_one_more: dict[Literal["rack", "module"], float]
    idle_cost: float
    charged_kwh: float = _said("AC")
    discharged_kwh: float = _said("AC")
    auxiliary_kwh: float
    module_loss_kwh: float
    rack_loss_kwh: float
    standing_loss_kwh: float
    transformer_loss_kwh: float
    round_trip_frac: Known = _said("AC to AC, without auxiliaries")
    round_trip_with_auxiliaries_frac: Known
    equivalent_full_cycles: float = _said("energy out of the racks (DC) over nominal energy")
    cells: CellFacts | None
    balance_residual_kwh: float = _said("energy in less energy out, losses and change in store")
    store_drift_kwh: float = _said("replayed less planned store, at most")
    clipped_kwh: float = _said("planned and not done")
    chord_error_kwh: float = _said("losses that the plan sees beyond the true curves")
    backup_least_h: Known = _said("shortest time that the critical load would last")
    bill_residual: float = _said("objective less recomputed bill and wear")
    peak_import_before_kw: float
    peak_import_after_kw: float
    not_metered: list[str] = _said("what of the data nobody metered, or was repaired")
    warnings: list[str]
    emissions: dict[FactorName, EmissionFacts] = _said("left out where no factors are given", default={})
    life: LifeFacts = _said("left out where the scenario asks for the first year only", default=None)


class RankedFacts(OptionFacts):
    """An option as it is ranked; null where there is no such figure."""

    rank: int
    rating_kva: float
    nominal_kwh: float
    usable_kwh: float
    capital: float = _said("less grants")
    saving: float = _said("of the first year")
    npv: Known
    irr_frac: Known
    payback_years: Known
    discounted_payback_years: Known
    saving_per_capital: Known
    bill_without: float
    bill_with: float
    peak_import_kw: float
    self_consumption_frac: Known
    full_cycles: float
    health_end_frac: Known
    last_year_in_use: Known
    racks_bought: Known
    warranty_breach_year: Known
    at_most_rack: Known = _said("what one rack more would save at the most")
    at_most_module: Known
    score: Known = _said("by the criterion; the higher the better")
    best_share_frac: Known = _said("of the draws in which it is the best")


class RefusedFacts(OptionFacts):
    """An option that cannot be had."""

    reason: str


class StepFacts(OptionFacts):
    """From an option to the next with more racks or more modules."""

    part: Literal["racks", "modules"]
    more: int
    saving_at_most: Known
    saving_planned: Known
    saving: Known
    capital: Known
    npv: Known
    yearly_saving: Known
    yearly_cost: Known


class FrontierFacts(OptionFacts):
    """An option that saves more than every cheaper one."""

    capital: float
    saving: float


class RegretFacts(OptionFacts):
    """What is given away by choosing an option, over the draws."""

    best_share_frac: float
    mean_regret: Known
    regret_p90: Known
    worst_regret: Known
    highest_import_kw: Known = _said("in any of the years of load, with new racks; null where one has no schedule")


class DoubtFacts(_Facts):
    """How sure the choice is."""

    draws: int | None
    seed: int
    loads: list[str] = _said("years of load, the first being that of the data")
    best_share_frac: float
    regret_when_not_best: Known
    missed_frac: Known = _said("share of draws in which the recommendation misses the target; null without one")
    no_candidate_frac: Known = _said("share of draws in which no option reaches it")
    options: list[RegretFacts]


class CompareSummary(_Summary):
    """The summary.json of a comparison: every option, ranked, and how sure the first one is."""

    format: Literal[COMPARE_SCHEMA] = Field(alias="schema")  # type: ignore[valid-type]  # a constant here, a literal there
    site: str
    currency: str = _said("of all sums of money")
    policy: PolicyName
    horizon_years: int | None
    criterion: str
    target: Known
    note: str = _said("what has to be said about the criterion")
    recommendation: OptionFacts
    reason: str
    options: list[RankedFacts] = _said("the best first")
    refused: list[RefusedFacts]
    steps: list[StepFacts]
    frontier: list[FrontierFacts]
    doubt: DoubtFacts | None


class SwingFacts(_Facts):
    """How far the metric moves with one axis."""

    axis: str
    low: float | int | str | None
    high: float | int | str | None
    at_low: Known
    at_high: Known
    swing: Known
    kind: Literal["listed", "drawn"]


class SpreadFacts(_Facts):
    """How far the metric spreads."""

    p10: float = _said("a tenth of the values lies below it")
    p50: float
    p90: float
    below_0: float = _said("share of the values below 0")


class ChoiceFacts(_Facts):
    """An option against the best of all else equal."""

    option: str
    best_share_frac: float
    mean: Known
    mean_regret: Known
    worst_regret: Known


class SweepSummary(_Summary):
    """The summary.json of a sweep: what is read off its table."""

    format: Literal[SWEEP_SCHEMA] = Field(alias="schema")  # type: ignore[valid-type]  # a constant here, a literal there
    site: str
    currency: str
    policies: list[Literal["rolling", "rules", "hindsight"]] = _said("policies that the cases follow")
    question: str | None
    seed: int | None
    cases: int
    status: dict[str, int] = _said("number of cases by how they ended")
    reasons: dict[str, int] = _said("number of cases without figures by reason")
    metric: Literal["npv", "saving"]
    base: Known = _said("the metric of the base")
    levels: dict[str, float | int | str | bool | None] = _said("where an axis stands while others move")
    swings: list[SwingFacts]
    break_even: dict[str, list[float]] = _said("values of an axis at which the metric is 0")
    spread: SpreadFacts | dict[str, float] = _said("empty where no case has figures")
    choices: list[ChoiceFacts] | None


_MODELS: dict[SummaryKind, type[_Summary]] = {
    "run-summary": RunSummary,
    "compare-summary": CompareSummary,
    "sweep-summary": SweepSummary,
}


def summary_schema(kind: SummaryKind) -> dict[str, Any]:
    """
    Return the JSON Schema (draft 2020-12) of one kind of ``summary.json``.

    Parameters
    ----------
    kind : {"run-summary", "compare-summary", "sweep-summary"}
        The kind of study.

    Returns
    -------
    dict
        The schema, ready for ``json.dumps``.

    Examples
    --------
    >>> summary_schema("run-summary")["title"]
    'RunSummary'
    """
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | _MODELS[kind].model_json_schema()
