"""What a controller does in each step to bring the store where the plan has it, as far as the plant lets it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch._compiled import compiled
from crestfall.replay._terminals import Terminals, ac_of, ac_relieving, ac_within, store_of

FloatArray = NDArray[np.float64]
STANDSTILL_KW = 1e-4  # power below is rounding


class Course(NamedTuple):
    """What the controller is given for each step; all arrays have the shape (n_steps,).

    Parameters
    ----------
    wanted_kwh : ndarray
        Planned content of the store at the end [kWh].
    planned_kw : ndarray
        Planned AC power, charge positive [kW].
    planned_draw_kw : ndarray
        Planned charge with the cooling of its losses [kW].
    standing_kw : ndarray
        Import less export with the plant at rest [kW].
    import_cap_kw : ndarray
        Import that is not exceeded for the sake of charging [kW].
    least_net_kw : ndarray
        Import less export that is not fallen short of for the sake of discharging [kW].
    most_charge_kw, most_discharge_kw : ndarray
        AC limits of the plant [kW].
    """

    wanted_kwh: FloatArray
    planned_kw: FloatArray
    planned_draw_kw: FloatArray
    standing_kw: FloatArray
    import_cap_kw: FloatArray
    least_net_kw: FloatArray
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray


class End(NamedTuple):
    """One end of the usable window, and how power falls towards it.

    Parameters
    ----------
    at_kwh : float
        The end [kWh].
    limit_kw : float
        DC limit of the racks in this direction [kW].
    from_kwh : float
        Content at which the limit begins to fall [kWh].
    left_frac : float
        Share of it that is left at the end.
    """

    at_kwh: float
    limit_kw: float
    from_kwh: float
    left_frac: float


class KnownPlant(NamedTuple):
    """The plant as the controller knows it.

    Parameters
    ----------
    charging, discharging : Terminals
        Its curves of both directions.
    full, empty : End
        Both ends of the window.
    least_kw : float
        AC power below which modules do not run [kW].
    deadband_kwh : float
        How far the store may stray while the plan stands still [kWh].
    """

    charging: Terminals
    discharging: Terminals
    full: End
    empty: End
    least_kw: float
    deadband_kwh: float


@compiled
def steered(
    course: Course,
    plant: KnownPlant,
    start_kwh: float,
    part_h: float,
    keep_frac: float,
    keeps: FloatArray,
    reach: FloatArray,
) -> FloatArray:
    """
    Return the AC power of each part of each step.

    Parameters
    ----------
    course : Course
        The plan and the limits of each step.
    plant : KnownPlant
        The plant.
    start_kwh : float
        Content before the first step [kWh].
    part_h : float
        Length of a part [h].
    keep_frac : float
        Share of the content that is left after a part at rest.
    keeps : ndarray of shape (n_parts,)
        Share of the content before each part that is left at the end of the step.
    reach : ndarray of shape (n_parts,)
        What an even flow of 1 kW from each part on brings until then [kWh].

    Returns
    -------
    ndarray of shape (n_steps * n_parts,)
        Power, charge positive [kW].
    """
    (
        wanted_kwh,
        planned_kw,
        planned_draw_kw,
        standing_kw,
        import_cap_kw,
        least_net_kw,
        most_charge_kw,
        most_discharge_kw,
    ) = course
    (into, into_corners), (outof, outof_corners), full, empty, least_kw, deadband_kwh = plant
    n = len(keeps)
    power = np.zeros(len(wanted_kwh) * n)
    content = start_kwh
    for t in range(len(wanted_kwh)):
        wanted, planned, standing = wanted_kwh[t], planned_kw[t], standing_kw[t]
        stands = planned == 0.0 and abs(wanted - content * keeps[0]) < deadband_kwh
        for part in range(n):
            kept = content * keep_frac
            flow = 0.0 if stands else (wanted - content * keeps[part]) / reach[part]
            if flow > STANDSTILL_KW:
                flow = min(flow, _limit_kw(full, content), max(full.at_kwh - kept, 0.0) / part_h)
                # Catching up is done under the planned peaks only; what was planned itself may go on.
                draw = max(import_cap_kw[t] - standing, planned_draw_kw[t])
                ac = min(ac_of(into, into_corners, flow), most_charge_kw[t], ac_within(into, into_corners, draw))
                gained = store_of(into, into_corners, ac)
                # What staged modules lose as soon as they run may be more than they are given.
                if ac >= least_kw and gained > 0:
                    power[t * n + part] = ac
                    kept += part_h * gained
            elif flow < -STANDSTILL_KW:
                flow = min(-flow, _limit_kw(empty, content), max(kept - empty.at_kwh, 0.0) / part_h)
                # What was planned may go on as far as its cooling, which plans see by chords, keeps it from being sent
                # out.
                room = max(standing - least_net_kw[t], 0.0)
                ac = min(ac_of(outof, outof_corners, flow), most_discharge_kw[t], max(room, -planned))
                ac = ac_relieving(outof, outof_corners, room, ac)
                if ac >= least_kw:
                    power[t * n + part] = -ac
                    kept -= part_h * store_of(outof, outof_corners, ac)
            content = kept
    return power


@compiled
def _limit_kw(end: End, content_kwh: float) -> float:
    """Return what is left of a limit at a content on the way to an end of the window."""
    way = (content_kwh - end.from_kwh) / (end.at_kwh - end.from_kwh)
    return end.limit_kw * (1.0 - (1.0 - end.left_frac) * min(max(way, 0.0), 1.0))


@compiled
def stepped(start_kwh: float, change_kwh: FloatArray, loss_frac: float) -> tuple[FloatArray, float]:
    """
    Return the store at the end of each part, and what was lost by standing.

    Parameters
    ----------
    start_kwh : float
        Content before the first part [kWh].
    change_kwh : ndarray of shape (n_parts,)
        What comes in, less what goes out [kWh].
    loss_frac : float
        Share that a part at rest takes.

    Returns
    -------
    stored_kwh : ndarray of shape (n_parts,)
        Content at the end of each part [kWh].
    standing_kwh : float
        Lost by standing [kWh].
    """
    stored = np.empty(len(change_kwh))
    before, standing = start_kwh, 0.0
    for part in range(len(change_kwh)):
        lost = before * loss_frac
        standing += lost
        before += change_kwh[part] - lost
        stored[part] = before
    return stored, standing
