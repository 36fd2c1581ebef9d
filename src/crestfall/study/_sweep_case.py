"""One case of a sweep: the base with some keys changed, studied, and its figures as one row."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from crestfall.dispatch import Schedule
from crestfall.errors import CrestfallError, InfeasibleError, InputError
from crestfall.scenario import Scenario, varied
from crestfall.study._draws import days_drawn_anew
from crestfall.study._inputs import Inputs, prepare
from crestfall.study._option_figures import FIGURE_COLUMNS, figures_of, figures_row
from crestfall.study._run import optimum_to_set_out_from, reference_of
from crestfall.study._shared import Shared
from crestfall.study._sweep_plan import SweepCase

RESULT_COLUMNS = (*FIGURE_COLUMNS, "status", "reason")
# done; refused: an input of this case cannot be used; infeasible: no schedule keeps the limits; failed: all else.
STATUSES = ("done", "refused", "infeasible", "failed")
Row = dict[str, float | str]


@dataclass(frozen=True, slots=True)
class CasesJob:
    """Studies one case after the other.

    Parameters
    ----------
    base : Scenario
        The scenario that is varied.
    """

    base: Scenario

    def function(self) -> "_Cases":
        """Return the function of a case."""
        return _Cases(self.base)


class _Cases:
    """Called with a case; keeps the series, tariffs and the base's optimum, which cases have in common."""

    def __init__(self, base: Scenario) -> None:
        self._base, self._shared = base, Shared()

    @cached_property
    def _optimum(self) -> Schedule | None:
        """That of the base, whatever its policy. Cases set out from it, and so none depends on which came before."""
        return optimum_to_set_out_from(prepare(varied(self._base, {("policy",): "hindsight"}), shared=self._shared))

    def __call__(self, case: SweepCase) -> Row:
        try:
            inputs = prepare(varied(self._base, dict(case.changes)), shared=self._shared)
            if inputs.scenario.ask.policy == "hindsight" and inputs.plant.option.is_battery:
                inputs = replace(inputs, like=self._optimum)
            if case.days_seed is not None:
                inputs = _other_days(inputs, case.days_seed)
            reference = self._shared.without_battery(inputs.scenario, case.days_seed, lambda: reference_of(inputs))
            figures = figures_of(inputs, reference, is_compared=False)
        except CrestfallError as error:
            return failed(_status(error), reason_of(error))
        return {**figures_row(figures), "status": "done", "reason": ""}


def _other_days(inputs: Inputs, seed: int) -> Inputs:
    return replace(inputs, series=days_drawn_anew(inputs.series, seed))


def failed(status: str, reason: str) -> Row:
    """
    Return the row of a case without figures.

    Parameters
    ----------
    status : str
        One of `STATUSES`.
    reason : str
        Why, in one line.

    Returns
    -------
    dict
        `RESULT_COLUMNS`.
    """
    return {**dict.fromkeys(FIGURE_COLUMNS, np.nan), "status": status, "reason": reason}


def _status(error: CrestfallError) -> str:
    if isinstance(error, InfeasibleError):
        return "infeasible"
    return "refused" if isinstance(error, InputError) else "failed"


def reason_of(error: CrestfallError) -> str:
    """
    Return an error in one line.

    Parameters
    ----------
    error : CrestfallError
        The error.

    Returns
    -------
    str
        Its first line.
    """
    return str(error).splitlines()[0]
