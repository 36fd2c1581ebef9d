"""One question asked of each load that it may have: every year of the data, or every shape that fits the bills."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import get_args

import pandas as pd

from crestfall.scenario import Scenario
from crestfall.scenario.model_file import ShapeName
from crestfall.series import years_of_load
from crestfall.study._run import OnStage, run

SPREAD_COLUMNS = ("load", "energy_kwh", "peak_kw", "bill_before", "saving_rolling", "saving_rules", "saving_hindsight")


def variants(scenario: Scenario) -> list[tuple[str, Scenario]]:
    """
    Return a scenario for each load that the site may have.

    Parameters
    ----------
    scenario : Scenario
        A scenario with more than a year of data, or with twelve bills instead.

    Returns
    -------
    list of (str, Scenario)
        What is different, and the scenario; the scenario alone where there is nothing to choose.

    Raises
    ------
    SeriesError
        If the load cannot be read.
    """
    model = scenario.ask.site.load_model
    if model is not None and model.monthly_bills is not None:
        bills = model.monthly_bills
        shapes = {shape: bills.model_copy(update={"shape": shape}) for shape in get_args(ShapeName)}
        return [
            (shape, _with_site(scenario, load_model=model.model_copy(update={"monthly_bills": one})))
            for shape, one in shapes.items()
        ]
    months = [] if scenario.ask.site.first_month is not None else years_of_load(scenario)
    if len(months) < 2:
        return [("as it is", scenario)]
    return [(f"year from {month}", _with_site(scenario, first_month=month)) for month in months]


def spread(scenario: Scenario, *, on_stage: OnStage | None = None) -> pd.DataFrame:
    """
    Study each load that the site may have.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    on_stage : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    DataFrame
        `SPREAD_COLUMNS`, a row for each load; `saving_rolling` is NaN where the scenario names another policy.

    Raises
    ------
    InputError
        If data, option or tariff cannot be used.
    """
    rows = []
    for name, one in variants(scenario):
        result = run(one, on_stage=_named(on_stage, name))
        series = result.inputs.series
        rows.append(
            (
                name,
                float(series.load_kw.sum()) * series.step_h,
                float(series.load_kw.max()),
                result.before.bill_total,
                math.nan if result.rolling is None else result.saving(result.rolling),
                result.saving(result.rules),
                result.saving(result.hindsight),
            )
        )
    return pd.DataFrame(rows, columns=list(SPREAD_COLUMNS))


def _named(on_stage: OnStage | None, name: str) -> Callable[[str], None] | None:
    return None if on_stage is None else lambda stage: on_stage(f"{name}: {stage}")


def _with_site(scenario: Scenario, **changes: object) -> Scenario:
    site = scenario.ask.site.model_copy(update=changes)
    return replace(scenario, ask=scenario.ask.model_copy(update={"site": site}))
