"""What a rolling plan did not foresee: how good its forecasts were, where it lost most, and what would have helped."""

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from crestfall.control import ForecastErrors, Rolled


@dataclass(frozen=True, slots=True, kw_only=True)
class Costly:
    """A time in which the rolling plan lost against hindsight.

    Parameters
    ----------
    start : Timestamp
        When it begins.
    hours : float
        How long it lasts [h].
    what : str
        The peak that was billed, or the energy of a day.
    expected_kw, happened_kw : float
        Import without the battery, as it was last forecast and as it was; means [kW].
    import_kw, hindsight_kw : float
        Import with the battery: of the plan, and with hindsight; of a peak the highest of its period there [kW].
    cost : float
        What the plan pays more for it than hindsight.
    """

    start: pd.Timestamp
    hours: float
    what: str
    expected_kw: float
    happened_kw: float
    import_kw: float
    hindsight_kw: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """The same year with one thing changed.

    Parameters
    ----------
    change : str
        What is changed, in words.
    saves_more : float
        What the plan then saves beyond what it does, before the price of the change.
    more_kwh : float
        Usable energy that the change adds [kWh].
    """

    change: str
    saves_more: float
    more_kwh: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unforeseen:
    """How good the forecasts of a rolling plan were, and what not knowing better cost.

    Parameters
    ----------
    rolled : Rolled
        Forecasts and targets of the year.
    cost : float
        What the plan pays more in the year than hindsight under the same contract.
    costliest : tuple of Costly
        The times that cost most, the dearest first.
    trials : tuple of Trial
        The same year with one thing changed, what saves most first; empty where the scenario does not ask for it.
    """

    rolled: Rolled
    cost: float
    costliest: tuple[Costly, ...]
    trials: tuple[Trial, ...] = ()

    @property
    def explained_frac(self) -> float | None:
        """Share of the cost that the costliest times make up; None where there is none."""
        listed = sum(one.cost for one in self.costliest)
        return listed / self.cost if self.cost > 0 else None

    def summary(self) -> dict[str, Any]:
        """Return the figures, ready for JSON."""
        rolled = self.rolled
        return {
            "plans": rolled.n_plans,
            "plans_failed": rolled.n_failed,
            "load_forecast": _errors(rolled.load_errors),
            "pv_forecast": _errors(rolled.pv_errors),
            "cost": self.cost,
            "costliest": [
                {"start": one.start.isoformat()}
                | {
                    name: getattr(one, name)
                    for name in ("hours", "what", "expected_kw", "happened_kw", "import_kw", "hindsight_kw", "cost")
                }
                for one in self.costliest
            ],
            "trials": [
                {"change": one.change, "saves_more": one.saves_more, "more_kwh": one.more_kwh} for one in self.trials
            ],
        }


def _errors(errors: ForecastErrors) -> dict[str, float | None]:
    figures = {
        "mape_frac": errors.mape_frac,
        "mean_abs_kw": errors.mean_abs_kw,
        "bias_kw": errors.bias_kw,
        "peak_kw": errors.peak_kw,
    }
    return {name: None if math.isnan(value) else value for name, value in figures.items()}
