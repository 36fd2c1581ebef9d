"""Run one option on one site's year."""

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace

import numpy as np

from crestfall.ageing import battery_use
from crestfall.control import Rolled, follow_rules
from crestfall.dispatch import ImportLimitError, Problem, Schedule, Status, idle_schedule, optimise
from crestfall.errors import CrestfallError, InfeasibleError, SolverError
from crestfall.finance import capital_cost, simple_payback_years
from crestfall.plant import MILD_C
from crestfall.scenario import Scenario
from crestfall.study._clauses import notes_on
from crestfall.study._explaining import tried, unforeseen
from crestfall.study._inputs import Inputs, dispatch_problem, prepare
from crestfall.study._neighbours import at_most
from crestfall.study._replaying import replayed_plan, where_from
from crestfall.study._result import Before, Case, PolicyName, PolicyYear, Result, peaks_of
from crestfall.study._rolling import notes_on_forecasts, roll
from crestfall.study._sources import sources_of
from crestfall.study._unforeseen import Unforeseen
from crestfall.tariff import Rates, Readings, bill

logger = logging.getLogger(__name__)

OnStage = Callable[[str], None]
# Replay and plan agree to this share of the saving, and to this much in each peak, or the result says so.
SAVING_AGREES_FRAC, PEAK_AGREES_KW, PEAK_AGREES_FRAC = 0.01, 1.0, 0.003
AGREES_FRAC = 1e-6  # objective and recomputed bill agree to this share of the bill, or the result says why not
FEW_PLANS_FRAC = 0.01  # of the plans: so many may fail before it is said
LIMIT_TOLERANCE_KW = 1e-6  # import this far above its limit is rounding, not an excess


def run(scenario: Scenario, *, inputs: Inputs | None = None, on_stage: OnStage | None = None) -> Result:
    """
    Study one option: the least-cost schedule, the policies, bills before and after, cycles, and the checks.

    Parameters
    ----------
    scenario : Scenario
        What to study.
    inputs : Inputs, optional
        What it came to, where it has been prepared already.
    on_stage : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    Result
        Cases side by side.

    Raises
    ------
    InputError
        If data, option or tariff cannot be used.
    InfeasibleError
        If no schedule keeps the limits.
    SolverError
        If the solver found no schedule in its time.
    """
    clock = _StageClock(on_stage)
    with clock.stage("reading data, tariff and catalogue"):
        inputs = prepare(scenario) if inputs is None else inputs
        before = _without_battery(inputs, inputs.rates, as_contracted=True)
        best_contract = _best_contract(inputs)
    offers: dict[PolicyName, list[_Offer]] = {name: [] for name in _policies(inputs)}
    for number, rates in enumerate(inputs.contracts, start=1):
        problem = dispatch_problem(inputs, rates)
        which = f", tariff {number} of {len(inputs.contracts)}" if inputs.choices else ""
        with clock.stage(f"optimising {problem.n_steps:,} steps with hindsight{which}"):
            optimum = _optimum(inputs, problem)
            _check_no_worse_than_idle(inputs, problem, optimum)
            offers["hindsight"].append(_Offer(rates, problem, optimum))
        with clock.stage(f"following the rules that know only the past{which}"):
            offers["rules"].append(_measured(_offer(inputs, "rules", rates, problem), optimum))
        if "rolling" in offers:
            with clock.stage(f"planning again and again on forecasts{which}"):
                offers["rolling"].append(_measured(_offer(inputs, "rolling", rates, problem), optimum))
    with clock.stage("billing, replaying and counting cycles"):
        best = {policy: _best_year(inputs, policy, each) for policy, each in offers.items()}
        cases = {policy: case_of(inputs, year) for policy, (year, _) in best.items()}
    found = None
    if (rolled := best["rolling"][1].rolled if "rolling" in best else None) is not None:
        with clock.stage("finding what was not foreseen"):
            found = _unforeseen(inputs, best["rolling"][0], rolled, offers["hindsight"])
    hindsight, chosen = cases["hindsight"], best["hindsight"][1]
    headline = cases[scenario.ask.policy]
    capital = capital_cost(inputs.plant, scenario.ask.money)
    reference = before if best_contract is None else best_contract
    return Result(
        inputs=inputs,
        before=before,
        best_contract=best_contract,
        hindsight=hindsight,
        rules=cases["rules"],
        rolling=cases.get("rolling"),
        unforeseen=found,
        idle_cost=idle_schedule(chosen.problem).objective,
        capital=capital,
        payback_years=simple_payback_years(capital, reference.bill_total - headline.bill_total),
        at_most=at_most(inputs, hindsight.rates, hindsight.schedule),
        warnings=tuple(_warnings(inputs, before, cases, chosen.problem, found)),
        sources=sources_of(scenario),
        timings_s=clock.seconds,
    )


@dataclass(frozen=True, slots=True)
class _Offer:
    """A schedule made for one contract."""

    rates: Rates
    problem: Problem
    schedule: Schedule
    rolled: Rolled | None = None


def _policies(inputs: Inputs) -> tuple[PolicyName, ...]:
    """Return the policies that a study follows: rolling, which takes the most time, only where it is named."""
    return ("rolling", "rules", "hindsight") if inputs.scenario.ask.policy == "rolling" else ("rules", "hindsight")


def _offer(inputs: Inputs, policy: PolicyName, rates: Rates, problem: Problem) -> _Offer:
    """Return what a policy does under a contract."""
    ask = inputs.scenario.ask
    if policy == "hindsight":
        return _Offer(rates, problem, _optimum(inputs, problem))
    if policy == "rules":
        return _Offer(rates, problem, follow_rules(problem, rates, ask.rules))
    if not inputs.plant.option.is_battery:  # there is nothing to plan
        return _Offer(rates, problem, replace(idle_schedule(problem), status=Status.RULE))
    rolled = roll(problem, rates, ask.rolling, inputs.known, inputs.series.temperature_c)
    return _Offer(rates, problem, rolled.schedule, rolled)


def _measured(offer: _Offer, optimum: Schedule) -> _Offer:
    """Return the same with the bound of the optimum: the distance from it is the price of not knowing the future."""
    return replace(offer, schedule=replace(offer.schedule, lower_bound=optimum.lower_bound))


class _StageClock:
    """Announce stages and keep their times."""

    def __init__(self, on_stage: OnStage | None) -> None:
        self._on_stage = on_stage
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        logger.info(name)
        if self._on_stage is not None:
            self._on_stage(name)
        began = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - began


def _without_battery(inputs: Inputs, rates: Rates, *, as_contracted: bool) -> Before:
    readings = inputs.without_battery(rates)
    charged = bill(rates, readings, last_year=inputs.last_year, as_contracted=as_contracted)
    return Before(rates=rates, readings=readings, curtailed_kw=inputs.curtailable_kw(rates), bill=charged)


def _best_contract(inputs: Inputs) -> Before | None:
    """Return the cheapest contract without the battery, None where the site has no choice."""
    if not inputs.choices and not inputs.rates.may_choose:
        return None
    offers = [_without_battery(inputs, rates, as_contracted=False) for rates in inputs.contracts]
    open_to_the_site = [one for one in offers if one.rates.is_open_to(one.readings)] or offers[:1]
    return min(open_to_the_site, key=lambda one: one.bill_total)


def reference_of(inputs: Inputs) -> Before:
    """Return the site without the battery that savings are counted from: under its best contract."""
    return _best_contract(inputs) or _without_battery(inputs, inputs.rates, as_contracted=True)


def headline_year(inputs: Inputs) -> PolicyYear:
    """Return the year of the policy that the scenario names, under the contract that is best for it."""
    policy = inputs.scenario.ask.policy
    offers = [_offer(inputs, policy, rates, dispatch_problem(inputs, rates)) for rates in inputs.contracts]
    return _best_year(inputs, policy, offers)[0]


def check_connection(inputs: Inputs) -> None:
    """Raise where no schedule keeps the limit of import: a policy without hindsight would only exceed it."""
    if inputs.scenario.ask.policy == "hindsight":
        return  # its own optimum says so
    idle_kw = inputs.load_kw + inputs.auxiliary_kw - inputs.series.pv_kw
    if (idle_kw > inputs.import_limit_kw).any():
        _optimum(inputs, dispatch_problem(inputs))


def optimum_to_set_out_from(inputs: Inputs) -> Schedule | None:
    """Return the optimum with hindsight, for studies of a similar site to set out from; None where it is no help."""
    if inputs.scenario.ask.policy != "hindsight" or not inputs.plant.option.is_battery:
        return None
    try:
        return _optimum(inputs, dispatch_problem(inputs))
    except CrestfallError:
        return None  # where there is none, each of the others is sought from the start


def _unforeseen(inputs: Inputs, year: PolicyYear, rolled: Rolled, optima: list[_Offer]) -> Unforeseen:
    """Return what a rolling plan lost against hindsight under the same contract."""
    same = next(one for one in optima if one.rates is year.rates)
    found = unforeseen(inputs, year, rolled, year_of(inputs, "hindsight", same.rates, same.schedule))
    if not inputs.scenario.ask.rolling.trials:
        return found
    return tried(inputs, year, lambda site, plan: year_of(site, "rolling", year.rates, plan), found)


def _optimum(inputs: Inputs, problem: Problem) -> Schedule:
    try:
        ask = inputs.scenario.ask.dispatch
        return optimise(problem, solver=ask.solver, time_limit_s=ask.time_limit_s, like=inputs.like)
    except ImportLimitError as error:
        raise _explained(inputs, error) from None


def _explained(inputs: Inputs, error: ImportLimitError) -> InfeasibleError:
    start, excess, worst = inputs.series.start, error.excess_kw, error.worst
    needed_kw = inputs.load_kw + inputs.auxiliary_kw - inputs.series.pv_kw
    too_much, remedy = f", {excess[worst]:.1f} kW too much", "choose an option with a battery"
    if inputs.plant.option.is_battery:
        too_much = f" and the battery leaves at least {excess[worst]:.1f} kW too much"
        remedy = "choose an option with more racks or modules"
    n_failing = np.count_nonzero(excess)
    limit_kw = inputs.import_limit_kw[worst]
    is_kva = inputs.scenario.ask.site.import_limit_kw != limit_kw
    limit = f"site.import_limit_kva leaves {limit_kw:.1f} kW, which" if is_kva else f"site.import_limit_kw {limit_kw:g}"
    return InfeasibleError(
        f"{limit} cannot be kept with {inputs.plant.option}:"
        f" at {start[worst]:%Y-%m-%d %H:%M %Z} the site needs {needed_kw[worst]:.1f} kW{too_much}\n"
        f"    {n_failing:,} step{'' if n_failing == 1 else 's'} fail{'s' if n_failing == 1 else ''},"
        f" the first at {start[error.first]:%Y-%m-%d %H:%M %Z}; raise the limit, or {remedy}{_needed(inputs)}"
    )


def _needed(inputs: Inputs) -> str:
    """Return what a battery without losses, filled again after each time above the limit, would need to hold it."""
    above_kw = np.maximum(inputs.load_kw - inputs.series.pv_kw - inputs.import_limit_kw, 0.0)
    if not above_kw.any():
        return ""
    run = np.cumsum(np.diff((above_kw > 0).astype(int), prepend=0) == 1)
    energy_kwh = np.bincount(run[above_kw > 0], weights=above_kw[above_kw > 0]).max() * inputs.series.step_h
    return (
        f";\n    to hold it takes at least {above_kw.max():,.1f} kW and {energy_kwh:,.1f} kWh in one go, losses aside"
    )


def _best_year(inputs: Inputs, policy: PolicyName, offers: list[_Offer]) -> tuple[PolicyYear, _Offer]:
    """Return the cheapest of the schedules, each billed by the contract it was made for if its use lets the site in."""
    years = [(year_of(inputs, policy, offer.rates, offer.schedule), offer) for offer in offers]
    let_in = [pair for pair in years if pair[1].rates.is_open_to(pair[0].readings)] or years[:1]
    return min(let_in, key=lambda pair: pair[0].bill_total)


def year_of(inputs: Inputs, policy: PolicyName, rates: Rates, schedule: Schedule) -> PolicyYear:
    """Return a plan under a contract: replayed, metered and billed."""
    replayed = replayed_plan(inputs, rates, schedule)
    readings = inputs.readings(import_kw=replayed.import_kw, export_kw=replayed.export_kw)
    return PolicyYear(
        policy=policy,
        rates=rates,
        schedule=schedule,
        replayed=replayed,
        readings=readings,
        bill=bill(rates, readings, before=inputs.without_battery(rates), last_year=inputs.last_year),
    )


def case_of(inputs: Inputs, year: PolicyYear) -> Case:
    """Return a year with the bill of its plan and its cycles counted."""
    schedule, done = year.schedule, year.replayed
    planned = inputs.readings(import_kw=schedule.import_kw, export_kw=schedule.export_kw)
    before = inputs.without_battery(year.rates)
    return Case(
        **{one.name: getattr(year, one.name) for one in fields(PolicyYear)},
        planned_bill=bill(year.rates, planned, before=before, last_year=inputs.last_year),
        use=battery_use(
            done.stored_kwh,
            start_kwh=schedule.start_kwh,
            out_of_store_kwh=done.energy.out_of_store_kwh,
            nominal_kwh=inputs.plant.nominal_kwh,
        ),
    )


def _check_no_worse_than_idle(inputs: Inputs, problem: Problem, optimum: Schedule) -> None:
    """An optimum that costs more than doing nothing is a bug, not a result."""
    idle = idle_schedule(problem)
    if (idle.import_kw > inputs.import_limit_kw).any() or optimum.status is not Status.OPTIMAL:
        return
    # Self-discharge of the floor content has to be made good, which standing still does not count.
    kept = inputs.floor_kwh * (1 - inputs.plant.keep_frac(inputs.series.step_h)) * inputs.series.n_steps
    allowance = kept / inputs.plant.charge_frac * float(np.abs(problem.buy_per_kwh).max())
    if optimum.objective > idle.objective + allowance + 1e-6 * abs(idle.objective):
        raise SolverError(
            f"the schedule costs {optimum.objective:.2f}, standing still {idle.objective:.2f};"
            " this is a bug, please report it"
        )


def _warnings(
    inputs: Inputs, before: Before, cases: dict[PolicyName, Case], problem: Problem, found: Unforeseen | None
) -> Iterator[str]:
    hindsight = cases["hindsight"]
    optimum, limit = hindsight.schedule, inputs.import_limit_kw + LIMIT_TOLERANCE_KW
    if over := int((before.import_kw > limit).sum()):
        yield f"without the battery the site exceeds its import limit in {over:,} steps; the bill before ignores this"
    for policy, words in (("rules", "the rules exceed"), ("rolling", "the rolling plan exceeds")):
        if policy in cases and (over := int((cases[policy].readings.import_kw > limit).sum())):
            yield (f"{words} the import limit in {over:,} steps: a controller with these settings would not hold it")
    yield from inputs.series.not_metered
    if note := _coarse_note(inputs):
        yield note
    yield from _weather_warnings(inputs)
    for case in cases.values():
        yield from _replay_warnings(inputs, before, case)
    if found is not None:
        yield from notes_on_forecasts(inputs.scenario.ask.rolling, cases["rolling"].rates, inputs.known)
        yield from _failed_plans(found.rolled)
    if optimum.repaired_steps:
        yield f"in {optimum.repaired_steps:,} steps burning energy would have paid; they were made to run one way"
    if optimum.status is Status.TIME_LIMIT:
        yield "the time limit ended the search; the gap says how far the schedule may be from the optimum"
    gap_frac = optimum.gap_frac(idle_schedule(problem).objective)
    if problem.settlement.has_choices and gap_frac > AGREES_FRAC:
        yield (
            "blocks that get cheaper, or payments that end at zero, were settled by a local search:"
            f" the schedule may cost up to {100 * gap_frac:.2g} % more than the best"
        )
    yield from _validity_warnings(inputs)
    if not before.rates.is_open_to(before.readings):
        yield f"by its hours of use the site does not belong on '{before.rates.title}'"
    residual = optimum.objective - hindsight.planned_bill_total - hindsight.planned_wear(inputs)
    if abs(residual) > AGREES_FRAC * max(1.0, abs(hindsight.bill_total)):
        why = "; ".join(notes_on(hindsight.rates)) or "the reason is not known, please report it"
        yield f"the optimiser's cost lies {residual:+,.2f} from the bill: {why}"


def _failed_plans(rolled: Rolled) -> Iterator[str]:
    if rolled.n_failed > FEW_PLANS_FRAC * rolled.n_plans:
        yield (
            f"{rolled.n_failed:,} of {rolled.n_plans:,} plans could not be made under their targets; the plan before"
            " them went on"
        )


def _coarse_note(inputs: Inputs) -> str:
    """Say how much a peak is understated where the load is metered in longer steps than demand is billed on."""
    from crestfall.series.meter import coarse_note

    metered_h = inputs.series.metered_step_h
    charges = [charge for sheet in inputs.scenario.contract for charge in sheet.file.demand_charges]
    if metered_h is None or not charges:
        return ""
    return coarse_note(60 * metered_h, min(charge.averaging_min for charge in charges))


def _weather_warnings(inputs: Inputs) -> Iterator[str]:
    plant = inputs.plant
    if inputs.series.temperature_c is None and (plant.thermal_c.size or plant.derating_c.size):
        yield f"no ambient temperature is given: heating, cooling and limits are those at {MILD_C:g} degrees C"
    elif not plant.option.is_battery:
        return
    elif stopped := int((plant.available_frac(inputs.series.temperature_c, inputs.series.n_steps) == 0).sum()):
        yield f"ambient temperature stops the plant in {stopped:,} steps"
    if inputs.scenario.ask.reactive_support is not None:
        taken = (inputs.power_limit_kw == 0) & ~inputs.planned_outage
        if count := int(taken.sum()):
            yield f"in {count:,} steps reactive support or ambient temperature leaves no active power"


def _replay_warnings(inputs: Inputs, before: Before, case: Case) -> Iterator[str]:
    """Say where the true plant did not do as planned, and what is behind it."""
    planned, done = before.bill_total - case.planned_bill_total, before.bill_total - case.bill_total
    unaided = inputs.without_battery(case.rates)

    def saving(readings: Readings) -> float:
        return before.bill_total - float(bill(case.rates, readings, before=unaided)["amount"].sum())

    if abs(done - planned) > SAVING_AGREES_FRAC * max(abs(planned), 1.0):
        yield (
            f"replayed through the true plant, {case.policy} saves {done:,.0f}, not {planned:,.0f} as planned"
            f" ({case.energy.clipped_kwh:,.0f} kWh could not be moved in their steps);"
            f" {where_from(inputs, case, saving, planned=planned, done=done)}"
        )
    peaks = peaks_of(inputs, before, case)
    if not peaks:
        return
    worst = max(peaks, key=lambda peak: peak.replayed - peak.planned)

    def same_peak(readings: Readings) -> float:
        return peaks_of(inputs, before, replace(case, readings=readings))[peaks.index(worst)].replayed

    if worst.replayed - worst.planned > max(PEAK_AGREES_KW, PEAK_AGREES_FRAC * worst.planned):
        yield (
            f"replayed through the true plant, {case.policy} has a peak of {worst.replayed:,.1f} {worst.unit}, not"
            f" {worst.planned:,.1f} as planned ({worst.charge}, {worst.period});"
            f" {where_from(inputs, case, same_peak, planned=worst.planned, done=worst.replayed)}"
        )


def _validity_warnings(inputs: Inputs) -> Iterator[str]:
    first, last = inputs.series.start[0].date(), inputs.series.start[-1].date()
    in_force = inputs.scenario.contract
    for sheet in (in_force[0], *inputs.scenario.choices):
        if sheet.file.valid_from > first:
            yield f"'{sheet.file.title}' is valid from {sheet.file.valid_from}; it bills the days before as well"
    for sheet in in_force[1:]:
        if sheet.file.valid_from > last:
            yield f"'{sheet.file.title}' is valid from {sheet.file.valid_from}, after the data, and bills nothing"
