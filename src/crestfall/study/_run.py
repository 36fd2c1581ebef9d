"""Run one option on one site's year."""

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from crestfall.ageing import battery_use
from crestfall.control import follow_rules
from crestfall.dispatch import ImportLimitError, Problem, Schedule, Status, idle_schedule, optimise
from crestfall.errors import InfeasibleError, SolverError
from crestfall.finance import capital_cost, simple_payback_years
from crestfall.replay import replay
from crestfall.scenario import Scenario
from crestfall.study._inputs import Inputs, dispatch_problem, prepare
from crestfall.study._result import Before, Case, PolicyName, Result
from crestfall.tariff import bill

logger = logging.getLogger(__name__)

OnStage = Callable[[str], None]
LIMIT_TOLERANCE_KW = 1e-6  # import this far above its limit is rounding, not an excess


def run(scenario: Scenario, *, on_stage: OnStage | None = None) -> Result:
    """
    Study one option: the least-cost schedule, the rules policy, bills before and after, cycles, and the checks.

    Parameters
    ----------
    scenario : Scenario
        What to study.
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
        inputs = prepare(scenario)
        problem = dispatch_problem(inputs)
        before = _before(inputs)
    with clock.stage(f"optimising {problem.n_steps:,} steps with hindsight"):
        optimum = _optimum(inputs, problem)
    with clock.stage("following the rules that know only the past"):
        ruled = replace(follow_rules(problem, inputs.rates, scenario.ask.rules), lower_bound=optimum.lower_bound)
    with clock.stage("billing, replaying and counting cycles"):
        hindsight, rules = _case(inputs, "hindsight", optimum), _case(inputs, "rules", ruled)
        idle = idle_schedule(problem)
        _check_no_worse_than_idle(inputs, optimum, idle)
    headline = hindsight if scenario.ask.policy == "hindsight" else rules
    saving = float(before.bill["amount"].sum()) - headline.bill_total
    capital = capital_cost(inputs.plant, scenario.ask.money)
    return Result(
        inputs=inputs,
        before=before,
        hindsight=hindsight,
        rules=rules,
        idle_cost=idle.objective,
        capital=capital,
        payback_years=simple_payback_years(capital, saving),
        warnings=tuple(_warnings(inputs, before, optimum, ruled)),
        timings_s=clock.seconds,
    )


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


def _before(inputs: Inputs) -> Before:
    net_kw = inputs.series.load_kw - inputs.series.pv_kw
    curtailed_kw = np.maximum(-net_kw - inputs.export_limit_kw, 0.0)
    import_kw, export_kw = np.maximum(net_kw, 0.0), np.maximum(-net_kw - curtailed_kw, 0.0)
    charged = bill(inputs.rates, import_kw=import_kw, export_kw=export_kw)
    return Before(import_kw=import_kw, export_kw=export_kw, curtailed_kw=curtailed_kw, bill=charged)


def _optimum(inputs: Inputs, problem: Problem) -> Schedule:
    try:
        return optimise(problem, time_limit_s=inputs.scenario.ask.dispatch.time_limit_s)
    except ImportLimitError as error:
        raise _explained(inputs, error) from None


def _explained(inputs: Inputs, error: ImportLimitError) -> InfeasibleError:
    start, excess, worst = inputs.series.start, error.excess_kw, error.worst
    needed_kw = inputs.series.load_kw + inputs.plant.auxiliary_kw - inputs.series.pv_kw
    too_much, remedy = f", {excess[worst]:.1f} kW too much", "choose an option with a battery"
    if inputs.plant.option.is_battery:
        too_much = f" and the battery leaves at least {excess[worst]:.1f} kW too much"
        remedy = "choose an option with more racks or modules"
    n_failing = np.count_nonzero(excess)
    return InfeasibleError(
        f"site.import_limit_kw {inputs.import_limit_kw:g} cannot be kept with {inputs.plant.option}:"
        f" at {start[worst]:%Y-%m-%d %H:%M %Z} the site needs {needed_kw[worst]:.1f} kW{too_much}\n"
        f"    {n_failing:,} step{'' if n_failing == 1 else 's'} fail{'s' if n_failing == 1 else ''},"
        f" the first at {start[error.first]:%Y-%m-%d %H:%M %Z}; raise the limit, or {remedy}"
    )


def _case(inputs: Inputs, policy: PolicyName, schedule: Schedule) -> Case:
    energy = replay(inputs.plant, inputs.series, schedule)
    use = battery_use(
        schedule.stored_kwh,
        start_kwh=schedule.start_kwh,
        out_of_store_kwh=energy.out_of_store_kwh,
        nominal_kwh=inputs.plant.nominal_kwh,
    )
    charged = bill(inputs.rates, import_kw=schedule.import_kw, export_kw=schedule.export_kw)
    return Case(policy=policy, schedule=schedule, bill=charged, energy=energy, use=use)


def _check_no_worse_than_idle(inputs: Inputs, optimum: Schedule, idle: Schedule) -> None:
    """An optimum that costs more than doing nothing is a bug, not a result."""
    if (idle.import_kw > inputs.import_limit_kw).any() or optimum.status is not Status.OPTIMAL:
        return
    # Self-discharge of the floor content has to be made good, which standing still does not count.
    kept = inputs.plant.floor_kwh * (1 - inputs.plant.keep_frac(inputs.series.step_h)) * inputs.series.n_steps
    allowance = kept / inputs.plant.charge_frac * float(np.abs(inputs.rates.buy_per_kwh).max())
    if optimum.objective > idle.objective + allowance + 1e-6 * abs(idle.objective):
        raise SolverError(
            f"the schedule costs {optimum.objective:.2f}, standing still {idle.objective:.2f};"
            " this is a bug, please report it"
        )


def _warnings(inputs: Inputs, before: Before, optimum: Schedule, ruled: Schedule) -> Iterator[str]:
    limit = inputs.import_limit_kw + LIMIT_TOLERANCE_KW
    if over := int((before.import_kw > limit).sum()):
        yield f"without the battery the site exceeds its import limit in {over:,} steps; the bill before ignores this"
    if over := int((ruled.import_kw > limit).sum()):
        yield f"the rules exceed the import limit in {over:,} steps: a controller with these settings would not hold it"
    if optimum.repaired_steps:
        yield f"{optimum.repaired_steps:,} steps ran both ways in the linear program and were made to choose"
    if optimum.status is Status.TIME_LIMIT:
        yield "the time limit ended the search; the gap says how far the schedule may be from the optimum"
