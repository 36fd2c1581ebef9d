"""What a solver returns, and the check that it can be done."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from crestfall.dispatch._problem import Problem, Taper
from crestfall.dispatch._settlement import FloatArray
from crestfall.errors import SolverError

# Solvers keep their rows to about 1e-7 of the largest number in them; a site of 10 MW leaves 1e-3 kW.
FEASIBILITY_TOLERANCE = 1e-6
# The objective is summed from the very flows it comes with; only the order of summing may differ.
COST_TOLERANCE = 1e-9


class Status(StrEnum):
    """How the search for a schedule ended."""

    OPTIMAL = "optimal"
    TIME_LIMIT = "time limit"
    RULE = "rule"


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """Flows for every step, and how good they are; all arrays have the shape (n_steps,).

    Parameters
    ----------
    charge_kw, discharge_kw : ndarray
        Power at the converters' AC terminals; never both in one step [kW].
    stored_kwh : ndarray
        Energy in the racks at the end of each step, DC [kWh].
    start_kwh : float
        Energy in the racks before the first step [kWh].
    curtailed_kw : ndarray
        PV left unused [kW].
    import_kw, export_kw : ndarray
        Flows at the point of connection; never both in one step [kW].
    objective : float
        Running cost of these flows, wear included.
    lower_bound : float
        No schedule of the same problem costs less.
    status : Status
        How the search ended.
    repaired_steps : int
        Steps in which the linear program ran both ways at once and was made to choose, or whose cost is not convex.
    note : str
        How it was found, in one line.
    stored_per_kwh : ndarray or None
        Value of one kWh more in the store at the end of each step, where it is known.
    proof : tuple
        Prices that prove the bound, where the exact way found it; :func:`least_cost` takes them to another problem.
    """

    charge_kw: FloatArray
    discharge_kw: FloatArray
    stored_kwh: FloatArray
    start_kwh: float
    curtailed_kw: FloatArray
    import_kw: FloatArray
    export_kw: FloatArray
    objective: float
    lower_bound: float
    status: Status
    repaired_steps: int = 0
    note: str = ""
    stored_per_kwh: FloatArray | None = None
    proof: tuple[Any, ...] = field(default=(), repr=False, compare=False)

    @property
    def stored_before_kwh(self) -> FloatArray:
        """Energy in the racks at the start of each step [kWh]."""
        return np.concatenate(([self.start_kwh], self.stored_kwh[:-1]))

    def gap_frac(self, idle_cost: float) -> float:
        """Return the distance from the bound as a share of the cost, or of the idle plant's cost if that is larger."""
        return max(0.0, self.objective - self.lower_bound) / max(abs(self.objective), abs(idle_cost), 1.0)


def check_feasible(problem: Problem, schedule: Schedule) -> None:
    """
    Raise unless a schedule keeps every limit, balances every step, flows one way at a time and states its true cost.

    Parameters
    ----------
    problem : Problem
        The limits.
    schedule : Schedule
        The flows.

    Raises
    ------
    SolverError
        With the rule that is broken most, the step and by how much; then ends and cost.
    """
    _check_finite(schedule)
    s, p = schedule, problem
    into_kw, outof_kw = p.charging.at_store(s.charge_kw), p.discharging.at_store(s.discharge_kw)
    cooling_kw = p.cooling_kw(s.charge_kw, s.discharge_kw)
    net_kw = p.load_kw + p.auxiliary_kw + cooling_kw + s.charge_kw - s.discharge_kw - (p.pv_kw - s.curtailed_kw)
    stored_kwh = p.keep_frac * s.stored_before_kwh + p.step_h * (into_kw - outof_kw)
    excess = {
        "charge above its limit": s.charge_kw - p.most_charge_kw,
        "discharge above its limit": s.discharge_kw - p.most_discharge_kw,
        "import above its limit": s.import_kw - p.import_limit_kw,
        "export above its limit": s.export_kw - p.export_limit_kw,
        "curtailment above what may be curtailed": s.curtailed_kw - p.curtailable_kw,
        "store above its ceiling": s.stored_kwh - p.ceiling_kwh,
        "store below its floor": p.floor_kwh - s.stored_kwh,
        "store not following its flows": np.abs(s.stored_kwh - stored_kwh),
        "meter not following the site": np.abs(s.import_kw - s.export_kw - net_kw),
        "charge above its tapered limit": _above_taper(p.charge_taper, into_kw, s.stored_kwh),
        "discharge above its tapered limit": _above_taper(p.discharge_taper, outof_kw, s.stored_kwh),
        "charge and discharge at once": np.minimum(s.charge_kw, s.discharge_kw),
        "import and export at once": np.minimum(s.import_kw, s.export_kw),
        "a flow below zero": -np.minimum.reduce(
            [s.charge_kw, s.discharge_kw, s.curtailed_kw, s.import_kw, s.export_kw]
        ),
    }
    scale = max(1.0, float(np.max(np.abs(net_kw), initial=0.0)), float(np.max(p.ceiling_kwh, initial=0.0)))
    rule, worst = max(
        ((name, float(values.max(initial=0.0))) for name, values in excess.items()), key=lambda item: item[1]
    )
    if worst > FEASIBILITY_TOLERANCE * scale:
        raise _broken(f"at step {int(np.argmax(excess[rule]))}: {rule} by {worst:.3g}")
    for name, most, used in (
        ("energy out of the store", p.most_out_kwh, p.out_kwh(s.discharge_kw)),
        ("imported energy", p.most_import_kwh, p.step_h * float(s.import_kw.sum())),
    ):
        if most is not None and used > most + FEASIBILITY_TOLERANCE * max(scale, most):
            raise _broken(f"in all: {name} of {used:.8g} kWh, above its budget of {most:.8g}")
    _check_ends(p, s, FEASIBILITY_TOLERANCE * scale)
    _check_cost(p, s)


def _above_taper(taper: Taper | None, power_kw: FloatArray, stored_kwh: FloatArray) -> FloatArray:
    if taper is None:
        return np.zeros_like(power_kw)
    # Where nothing flows there is nothing to limit, whatever is stored.
    return np.where(power_kw > 0, power_kw + taper.slope_per_h * stored_kwh - taper.limit_kw, 0.0)


def _check_finite(s: Schedule) -> None:
    for name in ("charge_kw", "discharge_kw", "stored_kwh", "curtailed_kw", "import_kw", "export_kw"):
        strange = ~np.isfinite(getattr(s, name))
        if strange.any():
            raise _broken(f"at step {int(np.argmax(strange))}: {name} is not a finite number")


def _check_ends(p: Problem, s: Schedule, tolerance_kwh: float) -> None:
    start_kwh = float(s.stored_kwh[-1]) if p.start_kwh is None else p.start_kwh
    if abs(s.start_kwh - start_kwh) > tolerance_kwh:
        raise _broken(f"at its start: the store begins with {s.start_kwh:g} kWh, expected {start_kwh:g}")
    if p.end_kwh is not None and abs(float(s.stored_kwh[-1]) - p.end_kwh) > tolerance_kwh:
        raise _broken(f"at its end: the store ends with {s.stored_kwh[-1]:g} kWh, expected {p.end_kwh:g}")


def _check_cost(p: Problem, s: Schedule) -> None:
    cost = p.running_cost(import_kw=s.import_kw, export_kw=s.export_kw, discharge_kw=s.discharge_kw)
    if not abs(s.objective - cost) <= COST_TOLERANCE * max(1.0, abs(cost)):
        raise _broken(f"in its cost: the flows cost {cost:.8g}, the schedule says {s.objective:.8g}")


def _broken(where_and_what: str) -> SolverError:
    return SolverError(f"the schedule breaks a rule {where_and_what}; this is a bug, please report it")


def idle_schedule(problem: Problem) -> Schedule:
    """
    Return the schedule of a plant that stands still with its auxiliaries on; PV above the export limit is curtailed.

    Limits on import are not checked, and standing losses of the store are passed over: it is the yardstick of
    "no worse than idling", not a schedule to run.

    Parameters
    ----------
    problem : Problem
        The dispatch problem.

    Returns
    -------
    Schedule
        Flows of the site with its plant at rest; without a bound.
    """
    zeros = np.zeros(problem.n_steps)
    net_kw = problem.load_kw + problem.auxiliary_kw - problem.pv_kw
    curtailed_kw = np.clip(-net_kw - problem.export_limit_kw, 0.0, problem.curtailable_kw)
    import_kw, export_kw = np.maximum(net_kw, 0.0), np.maximum(-net_kw - curtailed_kw, 0.0)
    cost = problem.running_cost(import_kw=import_kw, export_kw=export_kw, discharge_kw=zeros)
    return Schedule(
        charge_kw=zeros,
        discharge_kw=zeros,
        stored_kwh=problem.floor_kwh,
        start_kwh=float(problem.floor_kwh[-1]),
        curtailed_kw=curtailed_kw,
        import_kw=import_kw,
        export_kw=export_kw,
        objective=cost,
        lower_bound=-np.inf,
        status=Status.RULE,
    )
