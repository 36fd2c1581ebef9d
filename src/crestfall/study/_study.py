"""One option, for its first year and, where the scenario asks for it, through its life."""

import time
from dataclasses import replace

from crestfall.scenario import Scenario
from crestfall.study._life import life_of
from crestfall.study._result import Result
from crestfall.study._run import OnStage
from crestfall.study._run import run as first_year

LIFE_STAGE = "the years of life"


def run(scenario: Scenario, *, on_stage: OnStage | None = None) -> Result:
    """
    Study one option: its first year by each policy and, with a `life` in the scenario, every year after it.

    Parameters
    ----------
    scenario : Scenario
        What to study.
    on_stage : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    Result
        Cases side by side, and the life.

    Raises
    ------
    InputError
        If data, option or tariff cannot be used.
    InfeasibleError
        If no schedule keeps the limits in one of the years.
    SolverError
        If the solver found no schedule in its time.
    """
    result = first_year(scenario, on_stage=on_stage)
    if scenario.ask.life is None or not result.inputs.plant.option.is_battery:
        return result
    began = time.perf_counter()
    life = life_of(result.inputs, first=result.headline, on_stage=on_stage)
    return replace(
        result,
        life=life,
        warnings=(*result.warnings, *life.warnings),
        timings_s=result.timings_s | {LIFE_STAGE: time.perf_counter() - began},
    )
