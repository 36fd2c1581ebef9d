"""Replay a plan on a site, and find out what keeps the true plant from doing as planned.

The cause of a difference is found by taking one thing after the other away: what the plan cannot foresee (forced
outages), or sees otherwise than it is (tapers between the ends of a step, modules that start and stop, least loads, the
transformer's losses), or what leaves no room to catch up (derating). The plan is replayed again without each.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from crestfall.dispatch import Schedule
from crestfall.plant import NO_TRANSFORMER
from crestfall.replay import Replayed, Surroundings, replay
from crestfall.study._inputs import Inputs, charge_limit_kw, plant_export_limit_kw
from crestfall.study._result import Case
from crestfall.tariff import Rates, Readings

EXPLAINED_FRAC = 0.5  # of a difference that has to vanish with its cause


def replayed_plan(inputs: Inputs, rates: Rates, schedule: Schedule) -> Replayed:
    """
    Step a plan through the true plant, with the planned peaks as targets that a controller does not exceed.

    Parameters
    ----------
    inputs : Inputs
        Plant and site.
    rates : Rates
        The tariff that the plan was made for.
    schedule : Schedule
        The plan.

    Returns
    -------
    Replayed
        What the true plant did.
    """
    return _replayed(inputs, schedule, _surroundings(inputs, rates, schedule))


def where_from(inputs: Inputs, case: Case, figure: Callable[[Readings], float], *, planned: float, done: float) -> str:
    """
    Return in words where a difference between plan and replay comes from.

    Parameters
    ----------
    inputs : Inputs
        Plant and site.
    case : Case
        Plan and replay.
    figure : callable
        The figure that differs, from what the meters show.
    planned, done : float
        The figure as planned and as replayed.

    Returns
    -------
    str
        The cause without which most of the difference vanishes, or that no cause does that alone.
    """
    found = []
    for cause, otherwise, around in _without_each(inputs, case):
        flows = _replayed(otherwise, case.schedule, around)
        value = figure(inputs.readings(import_kw=flows.import_kw, export_kw=flows.export_kw))
        found.append((abs(value - planned), cause, value))
    if not found:
        return "this comes from losses, which the plan sees as chords"
    distance, cause, value = min(found)
    if distance <= (1 - EXPLAINED_FRAC) * abs(done - planned):
        return f"this comes from {cause}, without which it would be {value:,.1f}"
    return f"no single cause explains it: {', '.join(name for _, name, _ in found)}"


def _without_each(inputs: Inputs, case: Case) -> Iterator[tuple[str, Inputs, Surroundings]]:
    """Yield each thing that may stand in the way of a plan, with plant and surroundings that are free of it."""
    plant, series = inputs.plant, inputs.series

    def free(cause: str, otherwise: Inputs) -> tuple[str, Inputs, Surroundings]:
        return cause, otherwise, _surroundings(otherwise, case.rates, case.schedule)

    if inputs.forced_outage.any():
        yield free("forced outages", replace(inputs, forced_outage=np.zeros_like(inputs.forced_outage)))
    if plant.charge_taper is not None or plant.discharge_taper is not None:
        even = replace(plant, charge_taper=None, discharge_taper=None)
        yield free("the racks' tapers towards full and empty", replace(inputs, plant=even))
    if plant.converter.switches_off:
        envelope = replace(plant, converter=plant.converter.enveloped())
        yield free("modules that are switched off when idle", replace(inputs, plant=envelope))
    if plant.converter.minimum_load_frac:
        willing = replace(plant, converter=replace(plant.converter, minimum_load_frac=0.0))
        yield free("the modules' least load", replace(inputs, plant=willing))
    if (plant.available_frac(series.temperature_c, series.n_steps) < 1).any():
        mild = replace(plant, derating_c=np.zeros(0), derating_frac=np.zeros(0))
        yield free("derating by ambient temperature", replace(inputs, plant=mild))
    if inputs.transformer != NO_TRANSFORMER:
        cause, _, around = free("the transformer's losses, planned as they are without the battery", inputs)
        as_planned = around.auxiliary_kw + inputs.load_kw - series.load_kw
        yield cause, inputs, replace(around, auxiliary_kw=as_planned, transformer=NO_TRANSFORMER)


def _replayed(inputs: Inputs, schedule: Schedule, around: Surroundings) -> Replayed:
    return replay(inputs.plant, inputs.series, schedule, around, substeps=inputs.scenario.ask.replay.substeps)


def _surroundings(inputs: Inputs, rates: Rates, schedule: Schedule) -> Surroundings:
    """Return what a controller of the plan meets."""
    target_kw = inputs.import_limit_kw.copy()
    for charge in rates.peak_charges:
        measure = charge.measure
        # The target is one of kW, whatever is measured: the highest mean import of the period's intervals.
        peaks = measure.highest(measure.means(schedule.import_kw))
        inside = measure.is_measured() & (measure.periods.of >= 0)
        target_kw[inside] = np.minimum(target_kw[inside], peaks[measure.periods.of[inside]])
    return Surroundings(
        auxiliary_kw=inputs.auxiliary_kw,
        charge_limit_kw=np.where(inputs.forced_outage, 0.0, charge_limit_kw(inputs, rates)),
        discharge_limit_kw=np.where(inputs.forced_outage, 0.0, inputs.power_limit_kw),
        export_limit_kw=plant_export_limit_kw(inputs, rates),
        import_target_kw=target_kw,
        kvar=inputs.kvar,
        transformer=inputs.transformer,
    )
