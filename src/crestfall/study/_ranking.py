"""What makes one option better than another."""

import math
from dataclasses import dataclass
from typing import Literal, get_args

from crestfall.errors import InputError

CriterionName = Literal["npv", "payback", "irr", "saving_per_capital", "saving", "saving_target", "peak_target"]
CRITERIA: tuple[CriterionName, ...] = get_args(CriterionName)
NEEDS_TARGET = ("saving_target", "peak_target")


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What a criterion looks at.

    Parameters
    ----------
    is_battery : bool
        Whether there is anything to buy.
    capital : float
        What is spent at the start, less a grant.
    saving : float
        What is saved in the first year.
    npv : float
        Net present value; NaN where there is none.
    irr_frac : float
        Internal rate of return; NaN where there is none, or several.
    payback_years : float
        Time until it has paid for itself; infinite where it never does [a].
    peak_import_kw : float
        Highest import of the first year, with new racks [kW].
    """

    is_battery: bool
    capital: float
    saving: float
    npv: float
    irr_frac: float
    payback_years: float
    peak_import_kw: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """By what options are ranked.

    Parameters
    ----------
    name : str
        One of `CRITERIA`.
    target : float, optional
        The saving to reach, or the highest import not to exceed [kW], in the first year and at least capital.
    hurdle_frac : float, default=0.0
        Rate of return that money has elsewhere: no battery is better than less.
    """

    name: CriterionName = "npv"
    target: float | None = None
    hurdle_frac: float = 0.0

    def __post_init__(self) -> None:
        if (self.name in NEEDS_TARGET) != (self.target is not None):
            what = "a saving each year" if self.name == "saving_target" else "a highest import in kW"
            if self.target is None:
                raise InputError(f"criterion {self.name}: no target\n    add {what}, for example --target 5000")
            raise InputError(f"criterion {self.name}: found a target\n    only {' and '.join(NEEDS_TARGET)} have one")
        if self.target is not None and not 0 < self.target < math.inf:
            raise InputError(f"target: found {self.target:g}, expected a number > 0\n    leave it out for another rank")

    def score(self, worth: Worth) -> float:
        """
        Return how good an option is, more is better; -inf where it is no candidate.

        Parameters
        ----------
        worth : Worth
            What is known of it.

        Returns
        -------
        float
            The score in the unit of the criterion.
        """
        nothing = not worth.is_battery
        match self.name:
            case "npv":
                value = worth.npv
            case "payback":
                value = -worth.payback_years
            case "irr":
                value = self.hurdle_frac if nothing else worth.irr_frac
            case "saving_per_capital":
                value = 0.0 if nothing else worth.saving / worth.capital if worth.capital > 0 else math.inf
            case "saving":
                value = worth.saving
            case "saving_target":
                value = -worth.capital if worth.saving >= (self.target or 0.0) else -math.inf
            case "peak_target":
                value = -worth.capital if worth.peak_import_kw <= (self.target or 0.0) else -math.inf
        return -math.inf if math.isnan(value) else value
